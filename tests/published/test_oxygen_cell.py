"""The oxygen monitor's two steps: readings of the checkout, wash-out, the standard's error band."""

import numpy as np
import pytest

from diagnose.physics.mixing import AIR_OXYGEN
from diagnose.units import to_si

AIR, FLUSH = "monitoring.oxygen_air", "monitoring.oxygen_flush"
MACHINES = ("small", "one_vaporizer_valve", "two_vaporizers_open", "two_vaporizers_pipeline")


def find_causes(lab, machine, *names):
    return [c for c in lab.catalogue(machine).causes if c.fault_id in names]


def band_of_the_standard(share):
    """ISO 80601-2-55, from memory (N-01, N-02): 2.5 points and 2.5 % of the share."""
    return 0.025 + 0.025 * share


@pytest.mark.parametrize("machine", MACHINES)
def test_a_sound_monitor_reads_air_and_more_than_90_after_the_flush(lab, machine):
    """FDA 1993, step 9: 21 % in room air (G-09), more than 90 % after a flush (G-10)."""
    assert lab.read(machine, AIR, [], 24)[0] == pytest.approx(0.21, abs=0.001)
    shown = lab.read(machine, FLUSH, [], 24)[0]
    assert (shown > 0.90).all() and (shown < 0.995 + 1e-9).all()  # no more than is fed


@pytest.mark.parametrize("machine", MACHINES)
def test_flush_washes_out_no_worse_than_one_mixed_space(lab, machine):
    """x = 1 - (1 - x0) exp(-V/V0), closed form, with oxygen of 99.5 %.

    V0 is 8 L, more than the circle with its bag holds; fresh gas enters at the cell, so less air
    is left there than in a mixed space. 50 L/min (APSF, 35 to 75) for half a minute.
    """
    mixed = 0.995 - (0.995 - AIR_OXYGEN) * np.exp(-25 / 8)
    shown = lab.read(machine, FLUSH, [], 1)[0, 0]
    assert mixed < shown <= 0.995


def test_limits_in_air_are_those_of_the_standard(lab):
    """20.95 % and 2.5 + 0.52 points: 17.9 to 24.0 %; the check rounds to 18 and 24."""
    outcome = lab.test("small", AIR).check.reading.outcomes["near_21"]
    ends = [to_si(outcome.least, "fraction"), to_si(outcome.most, "fraction")]
    wide = band_of_the_standard(AIR_OXYGEN)
    assert ends == pytest.approx([AIR_OXYGEN - wide, AIR_OXYGEN + wide], abs=1e-3)


@pytest.mark.parametrize(("check", "share"), [(AIR, AIR_OXYGEN), (FLUSH, 0.995)])
def test_error_of_the_reading_keeps_the_standards_band_in_all_but_few(lab, check, share):
    """The band is 3.7 standard deviations, within 5 %: two sound cells of ten thousand outside."""
    error = to_si(lab.test("small", check).check.reading.error.text, "fraction")
    assert 3.7 * error == pytest.approx(band_of_the_standard(share), rel=0.05)


def test_a_cell_calibrated_in_oxygen_as_if_it_were_air_reads_a_fifth(lab):
    """Barker and Hall 1993 tell of a calibration in a rich gas; gain = 20.95 / the true share."""
    machine = "one_vaporizer_valve"
    low = find_causes(lab, machine, "monitoring.calibrated_low")
    air, flush = (lab.read(machine, check, low, 24)[1] for check in (AIR, FLUSH))
    assert (air >= 0.2 * AIR_OXYGEN).all() and (air < 0.19).all()
    assert flush / 0.995 == pytest.approx(air / AIR_OXYGEN, rel=0.02)


def test_a_used_up_cell_stays_low_in_oxygen_though_it_may_read_air(lab):
    """Galvanic cells at their end give no more current; the size is judgement, so the sign only."""
    machine = "one_vaporizer_valve"
    used = find_causes(lab, machine, "monitoring.cell_exhausted")
    air, flush = (lab.read(machine, check, used, 24)[1] for check in (AIR, FLUSH))
    assert (flush < 0.90).all()
    assert 0 < (air < 0.18).mean() < 1


@pytest.mark.parametrize("fault", ["breathing.cell_out", "monitoring.cell_left_out"])
def test_a_cell_out_of_its_port_reads_the_room_after_the_flush(lab, fault):
    """G-09: air is 21 %, whatever flows in the machine."""
    machine = "two_vaporizers_valve"
    shown = lab.read(machine, FLUSH, find_causes(lab, machine, fault), 24)[1]
    assert shown == pytest.approx(AIR_OXYGEN, abs=1e-9)


def test_gas_that_goes_past_the_breathing_system_leaves_air_in_it(lab):
    """A hose that is off or misjoined: the flush never reaches the cell."""
    machine = "two_vaporizers_valve"
    lost = find_causes(lab, machine, "outlet.hose_off", "outlet.hose_misjoined")
    assert lab.read(machine, FLUSH, lost, 24)[1:] == pytest.approx(AIR_OXYGEN, abs=0.005)
