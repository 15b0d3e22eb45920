"""What can be set to join subwoofer and mains, as device and room file say."""

from dataclasses import replace

import msgspec
import pytest
from joining_rooms import write_joined_room

from roomeq.device.processor import DelayRange, LevelRange
from roomeq.importers.room import read_room
from roomeq.jobs.joining.steps import align_room, joining_offer


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    return read_room(write_joined_room(tmp_path_factory.mktemp("joined")))


def changed(room, **joining):
    return replace(room, joining=replace(room.joining, **joining))


def test_offer_follows_device_and_processor(room):
    offer = joining_offer(room)
    assert offer.delays == DelayRange(lowest=-0.004, highest=0.0, step=0.0002)
    # the knob reaches from -40 to 0 dB and stands at -10: 6 dB either way are within it
    assert (offer.levels.lowest_db, offer.levels.highest_db) == (-6.0, 6.0)
    near_top = replace(room, present=replace(room.present, level_db=-2.0))
    assert joining_offer(near_top).levels.highest_db == 2.0
    near_end = replace(room, present=replace(room.present, level_db=-38.0))
    assert joining_offer(near_end).levels.lowest_db == -2.0
    turned = replace(room, present=replace(room.present, polarity="inverted", phase_deg=30.0))
    assert joining_offer(turned).present.inverted
    assert joining_offer(turned).present.phase_deg == 30.0


def test_delay_and_polarity_are_chosen_from_what_can_be_set(room, monkeypatch):
    asked = {}

    def align(data, **others):
        asked.update(others)

    monkeypatch.setattr("roomeq.jobs.joining.steps.align", align)
    align_room(room, None, told_inverted=None)
    assert asked["delays"] == DelayRange(lowest=-0.004, highest=0.0, step=0.0002)
    assert asked["phase_control"] is room.device.phase
    assert asked["can_invert"]
    plain = replace(room, device=replace(room.device, polarity=False, phase=None))
    align_room(plain, None, told_inverted=None)
    assert not asked["can_invert"]
    assert asked["phase_control"] is None


def test_what_the_processor_offers_is_assumed_only_where_it_is_not_stated(room):
    assert joining_offer(room).delays != DelayRange()
    assert joining_offer(changed(room, delays=None)).delays == DelayRange()


def test_a_phase_without_a_control_is_refused(room):
    without = replace(room, device=replace(room.device, phase=None))
    stated = replace(without, present=replace(without.present, phase_deg=30.0))
    with pytest.raises(ValueError, match="phase_deg needs phase_frequency"):
        joining_offer(stated)


@pytest.mark.parametrize(("level_db", "reach"), [(3.0, (-6.0, 0.0)), (-45.0, (0.0, 6.0))])
def test_a_level_beyond_the_knob_may_at_least_stay(room, level_db, reach):
    levels = joining_offer(replace(room, present=replace(room.present, level_db=level_db))).levels
    assert (levels.lowest_db, levels.highest_db) == reach


def test_changes_of_level_are_steps_of_the_knob(room):
    knob = msgspec.structs.replace(room.device.level, step_db=2.0)
    coarse = replace(room, device=replace(room.device, level=knob))
    unknown = replace(coarse, present=replace(room.present, level_db=None))
    for one in (coarse, unknown):
        assert joining_offer(one).levels.step_db == 2.0
    none = replace(room, device=replace(room.device, level=None))
    assert joining_offer(none).levels == LevelRange()


def test_what_cannot_be_set_is_not_offered_and_what_is_set_is_told(room):
    fixed = replace(
        changed(room, present_delay=0.0025), device=replace(room.device, polarity=False)
    )
    assert joining_offer(fixed).present.delay == 0.0025
