"""The simulated rig: converter, carriage, clock and exact sub-steps."""

from __future__ import annotations

import itertools
import statistics
from collections.abc import Callable
from random import Random

import pytest
from evenbed.head.types import Pull
from evenbed_fw import safety
from evenbed_sim import presets
from evenbed_sim.carriage import Carriage, CarriageParams
from evenbed_sim.converter import CODE_MAX, CODE_MIN, Cell, CellParams
from evenbed_sim.rig import Rig, RigParams
from evenbed_sim.scenarios.virtual import VirtualRun
from evenbed_sim.strand import Strand
from evenbed_sim.stringer import Habits, Stringer

# 24-bit bridge converter at 80 samples/s and gain 128 (its data sheet): saturation codes 7FFFFFh and 800000h, settling
# time 50 ms = four conversions, noise 90 nV rms. Derived: 4 294 967.296 counts at the capacity of a 2 mV/V cell, and
# 38.65 counts rms on 5 V.
COUNTS_AT_CAPACITY = 4294967.296
NOISE_COUNTS = 38.65
IDEAL = CellParams(noise_counts=0.0, creep_fraction=0.0, hysteresis_fraction=0.0)
T = IDEAL.period_us * 1e-6


def readings(params: CellParams, forces: list[float], seed: int = 1) -> list[int]:
    """One conversion a period, the force constant within each."""
    cell = Cell(params, Random(seed))
    out = []
    for f in forces:
        cell.feed(T, f, f)
        out.append(cell.convert())
    return out


def newtons(code: int) -> float:
    return (code - IDEAL.zero_counts) / IDEAL.counts_per_n


# --- the converter -----------------------------------------------------------------------------------------------
def test_saturation_codes_are_those_of_24_bits() -> None:
    assert CODE_MAX == 0x7FFFFF == 8388607
    assert CODE_MIN == -0x800000 == -8388608
    assert max(readings(IDEAL, [2000.0] * 6)) == CODE_MAX
    assert min(readings(IDEAL, [-2000.0] * 6)) == CODE_MIN


def test_counts_at_capacity_are_those_of_a_two_millivolt_cell() -> None:
    p = CellParams()
    assert p.counts_per_n * p.capacity_n == pytest.approx(COUNTS_AT_CAPACITY, rel=1e-4)
    code = readings(IDEAL, [p.capacity_n] * 5)[-1]
    assert code - p.zero_counts == pytest.approx(COUNTS_AT_CAPACITY, rel=1e-4)
    assert (code - p.zero_counts) / 2**23 == pytest.approx(0.512, abs=1e-3)


def test_a_step_settles_in_four_conversions() -> None:
    got = [newtons(c) for c in readings(IDEAL, [0.0] * 5 + [200.0] * 6)]
    assert [f / 200.0 for f in got[4:10]] == pytest.approx([0.0, 0.25, 0.5, 0.75, 1.0, 1.0], abs=1e-6)
    assert pytest.approx(0.050) == 4 * T


def test_a_ramp_is_read_two_samples_late() -> None:
    cell = Cell(IDEAL, Random(1))
    rate = 100.0  # N/s
    for i in range(40):
        cell.feed(T, rate * i * T, rate * (i + 1) * T)
        code = cell.convert()
        if i > 6:
            assert rate * (i + 1) * T - newtons(code) == pytest.approx(rate * 2.0 * T, abs=1e-3)


def test_extra_delay_is_whole_readings() -> None:
    forces = [10.0 * i for i in range(20)]
    plain, late = readings(IDEAL, forces), readings(CellParams(**{**vars(IDEAL), "extra_delay": 3}), forces)
    assert late[3:] == plain[:-3]


def test_noise_is_that_of_the_data_sheet_and_white() -> None:
    codes = readings(CellParams(creep_fraction=0.0, hysteresis_fraction=0.0), [100.0] * 4004)[4:]
    assert CellParams().noise_counts == NOISE_COUNTS
    # Standard error of a standard deviation of n values: sd / sqrt(2 n) = 1.1 %; four of them.
    assert statistics.stdev(codes) == pytest.approx(NOISE_COUNTS, rel=0.045)
    mean = statistics.fmean(codes)
    lag1 = sum((a - mean) * (b - mean) for a, b in itertools.pairwise(codes)) / len(codes) / NOISE_COUNTS**2
    assert abs(lag1) < 4.0 / len(codes) ** 0.5


def test_creep_hysteresis_and_drift_have_their_stated_size() -> None:
    creeping = CellParams(noise_counts=0.0, hysteresis_fraction=0.0, creep_fraction=0.0002, creep_tau_s=1.0)
    end = newtons(readings(creeping, [200.0] * 2000)[-1])
    assert end - 200.0 == pytest.approx(0.0002 * 200.0, abs=2e-4)
    up_down = CellParams(noise_counts=0.0, creep_fraction=0.0, hysteresis_fraction=0.0002)
    codes = readings(up_down, [100.0] * 8 + [300.0] * 8 + [100.0] * 8)
    assert newtons(codes[-1]) - newtons(codes[7]) == pytest.approx(0.0002 * 490.3325, abs=1e-3)
    drifting = CellParams(noise_counts=0.0, creep_fraction=0.0, hysteresis_fraction=0.0, drift_n_per_min=0.6)
    minute = readings(drifting, [50.0] * 4800)
    assert newtons(minute[-1]) - 50.0 == pytest.approx(0.6, abs=0.001)


# --- the carriage ---------------------------------------------------------------------------------------------------
def carriage(**kw: float | bool) -> Carriage:
    return Carriage(CarriageParams(**kw))  # type: ignore[arg-type]


def test_without_play_the_carriage_goes_where_the_pulses_say() -> None:
    c = carriage(backlash_mm=0.0)
    assert c.move(0.1, 3.0, 50.0, True) == 3.0
    assert c.move(0.1, -1.25, 50.0, True) == -1.25
    assert c.mm == 1.75 and c.lost_mm == 0.0


def test_play_shows_without_load_only() -> None:
    c = carriage(backlash_mm=0.03)
    assert c.move(0.01, 1.0, 0.0, True) == pytest.approx(0.97)  # the play is taken up first
    assert c.move(0.01, 1.0, 0.0, True) == pytest.approx(1.0)
    assert c.move(0.01, -1.0, 0.0, True) == pytest.approx(-0.97)
    loaded = carriage(backlash_mm=0.03)
    loaded.move(0.01, 1.0, 0.0, True)
    assert loaded.move(0.01, -0.5, 100.0, True) == -0.5


def test_a_motor_stalls_where_its_pull_ends() -> None:
    # 2000 N at rest, falling to zero at 400 mm/s: 1500 N at 100 mm/s.
    for force, went in ((1499.0, 1.0), (1501.0, 0.0)):
        c = carriage(backlash_mm=0.0)
        assert c.move(0.01, 1.0, force, True) == went
        assert c.lost_mm == 1.0 - went
    c = carriage(backlash_mm=0.0)
    c.move(0.1, 1.0, 0.0, True)
    assert c.move(0.01, -1.0, 1900.0, True) == -1.0  # a load that helps stalls nothing


def test_without_power_some_screws_hold_and_some_do_not() -> None:
    holds, slides = carriage(), carriage(holds_without_power=False, back_drive_mm_s=120.0)
    for c in (holds, slides):
        c.move(1.0, 30.0, 0.0, True)
    assert holds.move(0.1, 0.0, 200.0, False) == 0.0
    assert slides.move(0.1, 0.0, 200.0, False) == pytest.approx(-12.0)
    assert slides.move(0.1, 5.0, 2.0, False) == 0.0  # hardly any load: it stands, and pulses do nothing
    assert slides.move(10.0, 0.0, 200.0, False) == pytest.approx(-(30.0 - 0.03 - 12.0))
    assert slides.mm == 0.0


def test_end_switches_and_the_hard_stops_behind_them() -> None:
    c = carriage(travel_mm=100.0, backlash_mm=0.0)
    assert c.end_low and not c.end_high
    c.move(1.0, 50.0, 0.0, True)
    assert not c.end_low and not c.end_high
    c.move(1.0, 50.0, 0.0, True)
    assert c.end_high
    assert c.move(1.0, 5.0, 0.0, True) == pytest.approx(3.0)
    assert c.lost_mm == pytest.approx(2.0)
    c.move(1.0, -200.0, 0.0, True)
    assert c.mm == -3.0 and c.end_low


# --- the whole rig --------------------------------------------------------------------------------------------------
def pulled(seed: int, params: RigParams | None = None, touch: bool = False) -> tuple[Rig, list[bytes]]:
    """One whole pull of a main by the simulated stringer; the rig and every line of the board."""
    plant = Strand(presets.main(presets.POLYESTER, previous_mm=presets.PREVIOUS_MM, previous_tension_n=170.0))
    rig = Rig(plant, params or RigParams(), seed=seed)
    stringer = Stringer(rig, Habits(wait_s=0.5), seed=seed)
    run = VirtualRun(rig, 240.0)
    lines: list[bytes] = []
    rng = Random(5)

    def on_line(now_s: float) -> None:
        head = run.loop.head
        if head is not None and head.pull is None:
            head.plan(Pull(220.0, family="polyester"))
        if touch and rng.random() < 0.5:
            rig.flush()

    def keep(at_us: float, data: bytes) -> list[tuple[float, bytes]]:
        lines.append(data)
        return [(at_us, data)]

    run.on_line = on_line
    run.wire_down = keep
    run.run(14.0, lambda: stringer.done > 0)
    return rig, lines


def test_a_run_is_its_seed() -> None:
    (a, lines_a), (b, lines_b), (c, lines_c) = pulled(3), pulled(3), pulled(4)
    assert lines_a == lines_b
    assert (a.plant.peak_n, a.carriage.mm) == (b.plant.peak_n, b.carriage.mm)
    assert lines_a != lines_c
    assert c.plant.peak_n > 200.0


SCRIPT = ((30000, 9000), (80000, 40000), (96000, 30000), (20000, 4000), (-20000, 4000), (20000, 4000), (-90000, 90000))


def scripted(plant: Strand, longest_us: float) -> float:
    """Peak force of a fixed motion, time cut into pieces of at most ``longest_us`` of uneven length."""
    rig = Rig(plant, seed=2)
    rig.board_runs = False
    rig.hw.enable(True)
    rng = Random(1)
    for rate, steps in SCRIPT:
        rig.hw.grant(rate, steps)
        until = rig.t_us + steps / abs(rate) * 1e6 + 1e5
        while rig.t_us < until:
            rig.run_until(min(until, rig.t_us + rng.uniform(0.1, 1.0) * longest_us))
            rig.flush()
    return rig.plant.peak_n


@pytest.mark.parametrize(
    ("plant", "rel"),
    [
        (lambda: Strand(presets.steel_tether(8.0, 5.0)), 1e-12),  # elastic: exact whatever the pieces
        (lambda: Strand(presets.main(presets.POLYESTER)), 1e-6),
        (lambda: Strand(presets.cross(presets.NYLON)), 1e-6),
    ],
    ids=["tether", "main", "cross"],
)
def test_the_peak_does_not_depend_on_how_time_is_cut(plant: Callable[[], Strand], rel: float) -> None:
    whole = scripted(plant(), 1e9)
    assert whole > 200.0
    for longest_us in (20000.0, 4000.0, 500.0):
        assert scripted(plant(), longest_us) == pytest.approx(whole, rel=rel)


def test_looking_at_the_rig_changes_no_pull() -> None:
    # The loop is closed over readings rounded to counts: not the same run, but the same pull to the band of +-0.5 %.
    (whole, _), (touched, _) = pulled(6), pulled(6, touch=True)
    assert touched.plant.peak_n == pytest.approx(whole.plant.peak_n, rel=5e-3)


def test_an_unknown_setting_is_refused() -> None:
    with pytest.raises(ValueError, match="no setting 'limit_n'"):
        RigParams(settings={"limit_n": 1}).board_settings()
    assert RigParams(settings={"limit_mn": 200000}).board_settings().limit_mn == 200000


def drawn(holds: bool) -> Rig:
    """A rig whose board hangs in the middle of a draw."""
    rig = Rig(Strand(presets.steel_tether(8.0, 2.0)), RigParams(carriage=CarriageParams(holds_without_power=holds)))
    rig.hw.enable(True)
    rig.board_runs = False
    rig.hw.grant(40000, 32000)
    rig.run_until(2e6)
    assert rig.force_n > 100.0
    return rig


def test_steps_run_out_by_themselves_when_the_board_hangs() -> None:
    rig = drawn(holds=True)
    assert rig.carriage.mm == pytest.approx(20.0 - 0.03, abs=1e-6)
    before = rig.force_n
    rig.run_until(4e6)
    assert rig.force_n == pytest.approx(before, rel=1e-6)


@pytest.mark.parametrize("how", ["estop", "supply"])
@pytest.mark.parametrize("holds", [True, False])
def test_the_emergency_stop_cuts_the_drive_even_when_the_board_hangs(how: str, holds: bool) -> None:
    # Hard-wired: no program has a part in it. What the string does then is up to the screw.
    rig = drawn(holds)
    if how == "estop":
        rig.press_estop(True)
    else:
        rig.switch_supply(False)
    rig.hw.grant(40000, 3200)
    mm = rig.carriage.mm
    rig.run_until(rig.t_us + 1e6)
    assert rig.carriage.mm <= mm
    assert (rig.force_n > 100.0) == holds


def test_a_pressed_pedal_is_seen_by_the_board_and_nothing_moves_by_itself() -> None:
    rig = Rig(Strand(presets.steel_tether(8.0, 2.0)))
    rig.run_until(0.5e6)
    rig.press_pedal(True)
    rig.run_until(0.7e6)
    assert rig.board.pedal.down and rig.board.pedal.presses == 1
    rig.press_pedal(False)
    rig.run_until(5e6)
    assert rig.board.core.state == safety.LATCHED
    assert rig.carriage.mm == 0.0 and not rig.hw.enabled
