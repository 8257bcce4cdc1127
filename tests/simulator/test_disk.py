"""The disk of a season keeps what a real one keeps when the power goes."""

from random import Random

import pytest

from tests.simulator.disk import Disk, PowerCut


@pytest.mark.parametrize("seed", range(8))
def test_what_lay_on_a_stick_before_is_whole_after_a_cut(tmp_path, seed):
    """A stick put into a machine whose power is about to go was written long ago: only what is written now can be torn."""
    folder, stick = tmp_path / "machine", tmp_path / "stick"
    for place in (folder, stick):
        place.mkdir()
        (place / "old").write_bytes(b"written long ago")
    disk = Disk(folder, Random(seed))
    disk.arm(1, power=True)
    disk.mounted = [stick]
    (stick / "new").write_bytes(b"written now")
    with pytest.raises(PowerCut):
        disk.write()
    assert disk.disarm()
    assert {(place / "old").read_bytes() for place in (folder, stick)} == {b"written long ago"}
    assert (stick / "new").read_bytes() in (b"written now", b"writt", b"")
