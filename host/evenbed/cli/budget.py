"""``evenbed budget``: what is left of the force once something is wrong, for a rig, a ceiling and a string."""

from __future__ import annotations

from evenbed_fw.settings import Settings

from evenbed.control.loop import Mechanics, rig_model
from evenbed.head.stopbudget import Speeds, bounds, rise_n, terms
from evenbed.head.types import RigModel
from evenbed.link.messages import Limits
from evenbed.units import show_force

STIFFNESSES = (2.0, 6.0, 12.0, 30.0, 60.0)
SPEEDS_MM_S = (10.0, 30.0, 60.0)
SHARES = (0.0, 0.5, 0.9, 0.97)  # of the ceiling


def reference_rig() -> RigModel:
    """The rig of the reference settings, as a board with them would describe itself."""
    s = Settings()
    limits = Limits(
        s.zero_counts,
        s.gain_mcounts_n,
        s.limit_mn,
        s.overrun_mn,
        s.steps_mm,
        s.rate_max_steps_s,
        s.accel_steps_s2,
        s.period_us,
        s.stiffest_n_mm,
        s.hold_rate_steps_s,
        s.hold_travel_steps,
        s.age_us,
        s.granted_us,
    )
    return rig_model(limits, Mechanics())


def report(rig: RigModel, ceiling_n: float, k_n_mm: float, unit: str) -> str:
    """The whole report as text."""
    out = [
        f"Ceiling {show_force(ceiling_n, unit)}, overrun {show_force(rig.overrun_n, unit)}: everything stands before "
        f"{show_force(ceiling_n + rig.overrun_n, unit)}.",
        f"A reading is up to {rig.age_s * 1000:.1f} ms old when it acts and grants steps for {rig.granted_s * 1000:.1f} "
        f"ms; the drive brakes at {rig.accel_mm_s2:.0f} mm/s2.",
        "",
        "Travel of a stop, and the most that the force rises meanwhile:",
        "   from      aged   granted   braking     total" + "".join(f"  {k:6.0f} N/mm" for k in STIFFNESSES),
    ]
    for v in SPEEDS_MM_S:
        t = terms(rig, v)
        row = f"{v:4.0f} mm/s  {t.aged_mm:5.2f} mm  {t.granted_mm:5.2f} mm  {t.braking_mm:5.2f} mm  {t.total_mm:5.2f} mm"
        out.append(row + "".join(f"  {show_force(rise_n(rig, k, v), unit):>11}" for k in STIFFNESSES))
    speeds = Speeds(rig)
    out += [
        "",
        "Fastest speed at which the board lets a string be drawn that may at once be three times as stiff as it has seen:",
        "      force"
        + "".join(f"  {k:6.0f} N/mm" for k in STIFFNESSES)
        + f"  before contact ({rig.stiffest_n_mm:.0f} N/mm)",
    ]
    for share in SHARES:
        room = ceiling_n * (1.0 - share) + rig.overrun_n
        ks = [min(3.0 * k, rig.stiffest_n_mm) for k in STIFFNESSES]
        row = "".join(f"  {speeds.allowed_mm_s(k, room):6.1f} mm/s" for k in ks)
        first = f"  {speeds.allowed_mm_s(rig.stiffest_n_mm, room):6.1f} mm/s" if share == 0.0 else ""
        out.append(f"{show_force(ceiling_n * share, unit):>11}{row}{first}")
    out += ["", f"What bounds the true force, for a string of {k_n_mm:g} N/mm:"]
    for bound in bounds(rig, ceiling_n, k_n_mm):
        force = "no electronic bound" if bound.force_n is None else f"at most {show_force(bound.force_n, unit)}"
        out += [f"- {bound.what}:", f"    {force}; {bound.catches}."]
    return "\n".join(out)


def run(ceiling_n: float, k_n_mm: float, unit: str) -> int:
    """Print the report for the reference rig; return the exit code."""
    rig = reference_rig()
    if ceiling_n > rig.limit_n:
        print(f"evenbed budget: the rig's own limit is {show_force(rig.limit_n, unit)}; give a ceiling up to that.")
        return 2
    print(report(rig, ceiling_n, k_n_mm, unit))
    return 0
