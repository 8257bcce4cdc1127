"""A farm begun twice: the one without work is put away, whole, and its machine goes on as a new device."""

import pytest

from store import open_store
from store.errors import StoreRefused
from store.models import FACTS, REFERENCES, Farm, Field, Job, Operator, Stint, Tool, Tractor, job_id
from sync import export_bundle, merge_bundles
from sync.enrolment import pair


def test_an_empty_farm_is_put_away_and_another_joined(tmp_path):
    """Nothing of it is left but its backup; the machine is a new device of the same name, and takes in the other farm,
    also after it was opened again."""
    with open_store(tmp_path / "office.sqlite", "office") as office:
        office.put(Farm, name="Hill Farm", timezone="UTC", units="us")
        office.put(Operator, name="Ida")
        with open_store(tmp_path / "new.sqlite", "tablet 2", carry_on=True) as store:
            store.put(Farm, name="Hill Farm", timezone="UTC", units="us")
            store.put(Operator, name="Tam")
            before = store.device
            (said,) = [str(why) for _, why in merge_bundles(store, [export_bundle(office, tmp_path / "out")]).refused]
            assert "two logbooks of 'Hill Farm' were both begun as the farm's first" in said
            kept = store.begin_empty(tmp_path / "set-aside")
            assert (store.device != before, store.device_name) == (True, "tablet 2")
            assert not any(store.all(model) for model in (*FACTS.values(), *REFERENCES.values()))
            assert not store.check()
            pair(office, store)
            assert merge_bundles(store, [export_bundle(office, tmp_path / "out")]).refused == []
        with open_store(tmp_path / "new.sqlite") as store:
            assert [row.name for row in store.all(Operator)] == ["Ida"] and not store.check()
            assert store.device != before
            store.put(Operator, name="Ulla")
            assert merge_bundles(office, [export_bundle(store, tmp_path / "back")]).refused == []
    with open_store(kept) as old:
        assert [row.name for row in old.all(Operator)] == ["Tam"]


def test_a_farm_with_work_in_it_is_not_put_away(tmp_path):
    """With one stint it is refused, and nothing is changed."""
    with open_store(tmp_path / "new.sqlite") as store:
        store.put(Farm, name="Hill Farm", timezone="UTC", units="us")
        field, who = store.put(Field, name="North"), store.put(Operator, name="Tam")
        tractor, tool = store.put(Tractor, name="Ox"), store.put(Tool, name="Roller", operation="rolling", width_m=12.0)
        job = store.put(
            Job, id=job_id(field.id, "rolling", 2026), field_id=field.id, operation="rolling", season=2026, target=2
        )
        store.add(
            Stint(job_id=job.id, operator_id=who.id, tractor_id=tractor.id, tool_id=tool.id, width_m=12.0, at=1.7e9)
        )
        before = store.device
        with pytest.raises(StoreRefused, match="There is work in this logbook already"):
            store.begin_empty(tmp_path / "set-aside")
        assert store.device == before and store.all(Stint) and not (tmp_path / "set-aside").exists()
