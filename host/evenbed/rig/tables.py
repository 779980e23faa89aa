"""The tables of rig.toml: every key with its default, unit, bounds and what it means.

The defaults describe an invented rig, the one of the board's reference settings. A key that a file leaves out has its
default; ``None`` means that nothing is stated.
"""
# ruff: noqa: RUF009  entry() is a field(), made anew for each table.

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

INF = float("inf")


@dataclass(frozen=True)
class Entry:
    """What a value may be: its unit, bounds (inclusive) or choices, what it means, and its key in the file."""

    unit: str = ""
    least: float = -INF
    most: float = INF
    choices: tuple[str, ...] = ()
    says: str = ""
    key: str = ""


def entry(
    default: Any,
    unit: str = "",
    least: float = -INF,
    most: float = INF,
    *,
    choices: tuple[str, ...] = (),
    says: str = "",
    key: str = "",
) -> Any:
    """A field of a table with its Entry."""
    return field(default=default, metadata={"entry": Entry(unit, least, most, choices, says, key)})


@dataclass(frozen=True)
class Result:
    """What commissioning found, and when: a number in the unit of its key, or whether a step passed."""

    value: float | bool
    on: date


@dataclass(frozen=True)
class Machine:
    """Which rig it is."""

    name: str = entry("reference rig (invented)", says="what you call it; records carry it")


@dataclass(frozen=True)
class Clamps:
    """What holds a string that was drawn."""

    kind: Literal["fixed", "floating"] = entry(
        "fixed", choices=("fixed", "floating"), says="fixed to the base, or floating on a neighbour string"
    )
    count: int = entry(2, "", 2, 4, says="how many")
    starting: bool = entry(True, says="is there a starting clamp too?", key="starting_clamp")


@dataclass(frozen=True)
class Gripper:
    """What holds the string that is drawn."""

    tail_mm: float = entry(300.0, "mm", 50, 2000, says="string that it needs beyond the frame")


@dataclass(frozen=True)
class Mount:
    """What holds the frame."""

    supports: int = entry(6, "", 2, 12, says="how many supports hold the frame")


@dataclass(frozen=True)
class Travel:
    """How far the carriage goes."""

    between_switches_mm: float = entry(300.0, "mm", 20, 2000, says="from one end switch to the other")
    overtravel_mm: float = entry(3.0, "mm", 0, 100, says="from an end switch to the hard stop behind it")


@dataclass(frozen=True)
class Limits:
    """What the board is to keep, whatever a host says."""

    limit_n: float = entry(330.0, "N", 20, 1000, says="the rig's own limit: no ceiling above it")
    overrun_n: float = entry(40.0, "N", 1, 100, says="most rise above the ceiling while everything stops")
    stiffest_n_mm: float = entry(130.0, "N/mm", 20, 5000, says="the stiffest thing the gripper can meet: frame and cell")
    hold_rate_mm_s: float = entry(6.0, "mm/s", 0.1, 100, says="fastest in the hold")
    hold_travel_mm: float = entry(20.0, "mm", 0.1, 200, says="most take-up in one hold")


@dataclass(frozen=True)
class Strings:
    """What the rig is to pull."""

    highest_n: float = entry(290.0, "N", 20, 1000, says="highest force meant, pre-stretch included")
    lowest_n: float = entry(80.0, "N", 5, 1000, says="lowest reference tension meant")
    stiffest_n_mm: float = entry(34.0, "N/mm", 0.2, 500, says="stiffest string, at the gripper")
    softest_n_mm: float = entry(1.5, "N/mm", 0.1, 500, says="softest, longest string; the board bounds travel by it")
    slack_mm: float = entry(40.0, "mm", 0, 500, says="most slack that the head takes up")
    pull_s: float = entry(5.0, "s", 0.2, 120, says="what a pull may take, from the tap to the force")


@dataclass(frozen=True)
class Motion:
    """How the carriage moves."""

    speed_mm_s: float = entry(60.0, "mm/s", 1, 500, says="top speed")
    accel_mm_s2: float = entry(800.0, "mm/s2", 10, 50000, says="acceleration and braking")
    carriage_kg: float = entry(1.2, "kg", 0, 50, says="what moves along: carriage, cell, gripper")


@dataclass(frozen=True)
class Screw:
    """What turns rotation into travel."""

    thread: str = entry(
        "trapezoidal", choices=("trapezoidal", "acme", "square", "ball"), says="form of the thread, or a ball screw"
    )
    diameter_mm: float = entry(10.0, "mm", 3, 60, says="major diameter")
    pitch_mm: float = entry(2.0, "mm", 0.3, 60, says="from thread to thread")
    starts: int = entry(1, "", 1, 12, says="threads side by side; lead = pitch x starts")
    friction: float = entry(0.15, "", 0.01, 0.6, says="coefficient in the thread, as it runs")
    friction_least: float = entry(0.10, "", 0.005, 0.6, says="the least that it can be: freshly greased, shaken")
    collar_friction: float = entry(
        0.005, "", 0, 0.6, says="of the thrust bearing; rolling 0.002 to 0.005, plain 0.1 and more"
    )
    collar_diameter_mm: float = entry(16.0, "mm", 0, 100, says="mean diameter of the thrust bearing")
    efficiency: float = entry(0.9, "", 0.1, 0.99, says="of a ball screw that drives")
    back_efficiency: float = entry(0.8, "", 0.1, 0.99, says="of a ball screw that is driven back")
    free_length_mm: float = entry(380.0, "mm", 20, 3000, says="longest stretch without support")
    ends: str = entry(
        "fixed-supported",
        choices=("fixed-free", "supported-supported", "fixed-supported", "fixed-fixed"),
        says="how the bearings hold its ends",
    )
    loaded: str = entry("compression", choices=("compression", "tension"), says="what a pull does to the screw")
    yield_mpa: float = entry(350.0, "MPa", 50, 2000, says="yield strength of its steel")
    backlash_mm: float = entry(0.03, "mm", 0, 5, says="play between screw and nut")


@dataclass(frozen=True)
class Guide:
    """What keeps the carriage straight."""

    offset_mm: float = entry(35.0, "mm", 0, 300, says="from the line of pull to the screw's axis")
    spacing_mm: float = entry(90.0, "mm", 5, 1000, says="between the two bearings along the way")
    friction: float = entry(0.02, "", 0, 0.6, says="rolling 0.002 to 0.01, plain 0.1 to 0.2")
    rated_n: float = entry(600.0, "N", 1, 100000, says="what one bearing carries, by its data sheet")


@dataclass(frozen=True)
class Motor:
    """A two-phase stepper on the screw, driven with sine currents."""

    holding_torque_nm: float = entry(1.9, "N·m", 0.01, 100, says="data sheet: both phases at rated current")
    rated_current_a: float = entry(4.2, "A", 0.05, 50, says="data sheet: of a phase")
    current_a: float = entry(4.2, "A", 0.05, 50, says="peak of the sine that the driver is set to")
    hold_current_percent: float = entry(100.0, "%", 0, 100, says="what the driver leaves of it at a standstill")
    resistance_ohm: float = entry(0.5, "ohm", 0.01, 500, says="data sheet: of a phase")
    inductance_mh: float = entry(1.6, "mH", 0.01, 500, says="data sheet: of a phase")
    full_steps: int = entry(200, "", 20, 1000, says="full steps a turn")
    microsteps: int = entry(16, "", 1, 256, says="microsteps in a full step")
    rotor_inertia_g_cm2: float = entry(300.0, "g·cm2", 0.1, 100000, says="data sheet")
    pull_out: tuple[tuple[float, float], ...] = entry(
        (), "turns/s, N·m", 0, 1000, says="pull-out curve of its data sheet at your voltage; without it a model is used"
    )


@dataclass(frozen=True)
class Cell:
    """The load cell."""

    capacity_n: float = entry(490.3325, "N", 10, 50000, says="what it is rated for")
    rated_mv_v: float = entry(2.0, "mV/V", 0.1, 10, says="output at capacity")
    overload_percent: float = entry(150.0, "%", 100, 1000, says="safe overload, of capacity")


@dataclass(frozen=True)
class Converter:
    """The bridge converter."""

    gain: float = entry(128.0, "", 1, 1024, says="amplification")
    bits: int = entry(24, "", 10, 32, says="of a reading")
    excitation_v: float = entry(5.0, "V", 0.5, 15, says="across the bridge")
    reference_v: float = entry(
        5.0, "V", 0.5, 15, says="that it compares with; the same wire as the excitation if ratiometric"
    )
    span: float = entry(0.5, "", 0.1, 1, says="full scale, one way: span x reference / gain")
    rate_hz: float = entry(80.0, "Hz", 5, 1000, says="readings a second")
    noise_nv: float = entry(90.0, "nV", 0, 100000, says="at its input, RMS, at this gain and rate")
    settling: int = entry(4, "readings", 1, 8, says="conversions until a step shows in full")


@dataclass(frozen=True)
class Supply:
    """What feeds the drive."""

    volts: float = entry(48.0, "V", 5, 100, says="of the drive")
    amps: float = entry(3.0, "A", 0.1, 100, says="that it gives for long")
    driver_efficiency: float = entry(0.85, "", 0.3, 1, says="of the stepper driver")
    others_w: float = entry(5.0, "W", 0, 1000, says="what else it feeds: brake, board, lamp")


@dataclass(frozen=True)
class Brake:
    """A brake that closes without power, on the screw."""

    fitted: bool = entry(False, says="is there one?")
    torque_nm: float = entry(0.0, "N·m", 0, 200, says="that it holds when closed")
    closes_s: float = entry(0.03, "s", 0, 2, says="from the loss of power until it holds")


@dataclass(frozen=True)
class Coupling:
    """Mechanics that bound the force when the electronics are fooled."""

    kind: str = entry(
        "spring pack",
        choices=("none", "slip coupling", "breakaway", "spring pack"),
        says="slips at a torque, parts at a force, or yields and opens a switch",
    )
    acts_at_n: float = entry(430.0, "N", 20, 5000, says="force on the string at which it acts")
    tolerance_percent: float = entry(10.0, "%", 0, 50, says="how far that may be off, either way")
    switch_in_enable: bool = entry(True, says="spring pack: is its switch wired into the drive's enable?")
    rate_n_mm: float = entry(45.0, "N/mm", 0.1, 2000, says="spring pack: its stiffness")
    room_mm: float = entry(6.0, "mm", 0, 100, says="spring pack: travel from the switch until it is solid")
    cut_s: float = entry(0.03, "s", 0, 1, says="spring pack: from the switch until the drive has no torque")


@dataclass(frozen=True)
class HoldsWithoutPower:
    """What was seen when the drive lost its power with a string on. Found by commissioning."""

    proved: bool | None = entry(None, says="did the force stay?")
    at_n: float | None = entry(None, "N", 1, 1000, says="at which force")
    on: date | None = entry(None, says="when")


@dataclass(frozen=True)
class Measured:
    """Results of commissioning, each { value = ..., on = date }."""

    inputs: Result | None = entry(None, says="pedal, emergency stop, supply and end switches seen one by one")
    reading: Result | None = entry(None, says="the reading lives and rises with a pull")
    direction: Result | None = entry(None, says="the motor turns the right way")
    end_switches: Result | None = entry(None, says="each stops the motion towards it")
    stop_budget: Result | None = entry(None, says="a deliberate trip stayed inside the stop budget")
    steps_mm: Result | None = entry(None, "1/mm", 1, 100000, says="steps a millimetre, by a rule")
    travel_mm: Result | None = entry(None, "mm", 1, 2000, says="between the end switches")
    backlash_mm: Result | None = entry(None, "mm", 0, 5, says="play of screw and nut")
    rate_hz: Result | None = entry(None, "Hz", 1, 2000, says="readings a second")
    noise_n: Result | None = entry(None, "N", 0, 100, says="RMS of a still reading")
    delay_s: Result | None = entry(None, "s", 0, 1, says="of the reading behind the motion")
    delay_doubt_s: Result | None = entry(None, "s", 0, 1, says="half width of what the delay may be")
    stiffness_n_mm: Result | None = entry(None, "N/mm", 0.1, 5000, says="of the rig itself, against a steel tether")
    stop_rise_n: Result | None = entry(None, "N", 0, 1000, says="rise of the force in the deliberate trip")


@dataclass(frozen=True)
class Computed:
    """What evenbed size --write worked out from the tables above."""

    counts_per_n: float | None = entry(None, "1/N", says="converter counts a newton, by the data sheets")
    steps_mm: float | None = entry(None, "1/mm", says="steps a millimetre")
    age_s: float | None = entry(None, "s", says="how old a reading may be when it acts")
    granted_s: float | None = entry(None, "s", says="time for which a reading grants steps")
    stop_travel_mm: float | None = entry(None, "mm", says="travel of a stop from top speed")
    stop_rise_n: float | None = entry(
        None, "N", says="most rise above a ceiling, stiffest string, at the speed allowed there"
    )
    snag_n: float | None = entry(None, "N", says="most force if something stiff snags, before mechanics act")
    on: date | None = entry(None, says="when")


@dataclass(frozen=True)
class Rig:
    """One rig: machine, clamps, mount, mechanics, electronics, and what commissioning found."""

    machine: Machine = Machine()
    clamps: Clamps = Clamps()
    gripper: Gripper = Gripper()
    mount: Mount = Mount()
    travel: Travel = Travel()
    limits: Limits = Limits()
    strings: Strings = Strings()
    motion: Motion = Motion()
    screw: Screw = Screw()
    guide: Guide = Guide()
    motor: Motor = Motor()
    cell: Cell = Cell()
    converter: Converter = Converter()
    supply: Supply = Supply()
    brake: Brake = Brake()
    coupling: Coupling = Coupling()
    holds_without_power: HoldsWithoutPower = HoldsWithoutPower()
    measured: Measured = Measured()
    computed: Computed = Computed()

    @property
    def name(self) -> str:
        """What the rig is called."""
        return self.machine.name

    @property
    def gripper_tail_mm(self) -> float:
        """String that the gripper needs beyond the frame, mm."""
        return self.gripper.tail_mm

    @property
    def travel_mm(self) -> float:
        """Travel between the end switches, mm: measured, else stated."""
        found = self.measured.travel_mm
        return self.travel.between_switches_mm if found is None else float(found.value)

    @property
    def rate_hz(self) -> float:
        """Readings a second: measured, else stated."""
        found = self.measured.rate_hz
        return self.converter.rate_hz if found is None else float(found.value)

    @property
    def delay_periods(self) -> float | None:
        """Measured delay of the reading in sample periods, or None."""
        found = self.measured.delay_s
        return None if found is None else float(found.value) * self.rate_hz

    @property
    def delay_doubt_periods(self) -> float | None:
        """Half width of what the delay may be, in sample periods, or None."""
        found = self.measured.delay_doubt_s
        return None if found is None else float(found.value) * self.rate_hz

    @property
    def lead_mm(self) -> float:
        """Travel of one turn of the screw, mm."""
        return self.screw.pitch_mm * self.screw.starts

    @property
    def steps_mm(self) -> float:
        """Steps a millimetre by the data sheets: full steps x microsteps / lead."""
        return self.motor.full_steps * self.motor.microsteps / self.lead_mm


def default_rig() -> Rig:
    """The rig that a file without any entry describes; its numbers are invented."""
    return Rig()
