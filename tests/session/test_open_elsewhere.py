"""Taking over says who or what is in an open stint on another tablet already."""

from cabapp.jobs.records.farm_settings import FarmSettings
from cabapp.session.take_over import choices
from store import open_store
from store.models import Farm, Field, Job, Operator, Stint, Tap, Tool, Tractor, job_id
from sync import export_bundle, merge_bundles
from sync.enrolment import pair

BEGAN = 1_778_780_400.0


def test_an_open_stint_of_another_tablet_is_said_where_its_operator_is_chosen(tmp_path):
    """While it is open and of the last day its operator and its tractor have a sentence, others none; finished, nobody has."""
    with open_store(tmp_path / "one.sqlite", "tablet 1") as one, open_store(tmp_path / "two.sqlite", "tablet 2") as two:
        one.put(Farm, name="Hill Farm", timezone="America/Chicago", units="us")
        ida, _tam = one.put(Operator, name="Ida"), one.put(Operator, name="Tam")
        ox, _elk = one.put(Tractor, name="Ox"), one.put(Tractor, name="Elk")
        tool, field = one.put(Tool, name="Roller", operation="rolling", width_m=12.0), one.put(Field, name="North")
        job = one.put(
            Job, id=job_id(field.id, "rolling", 2026), field_id=field.id, operation="rolling", season=2026, target=2
        )
        pair(one, two)
        begun = Stint(job_id=job.id, operator_id=ida.id, tractor_id=ox.id, tool_id=tool.id, width_m=12.0, at=BEGAN)
        stint = one.add(begun)

        def said(store, now):
            merge_bundles(two, [export_bundle(one, tmp_path / "out")])
            found = choices(store, FarmSettings(store), now, (None, None))
            return [str(c.elsewhere) for c in (*found.operators, *found.tractors) if c.elsewhere]

        ida_said, ox_said = said(two, BEGAN + 600)
        assert ida_said.startswith("Ida is still in a stint on tablet 1, begun at ") and ox_said.startswith(
            "Ox is still"
        )
        assert said(one, BEGAN + 600) == [], "its own stint is no other"
        assert said(two, BEGAN + 90_000) == [], "of yesterday"
        one.add(Tap(stint_id=stint.id, kind="finish", at=BEGAN + 900))
        assert said(two, BEGAN + 1000) == []
