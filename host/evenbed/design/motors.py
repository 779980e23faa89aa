"""A two-phase stepper: torque at speed, from a data sheet's curve or from a model, and what it draws from the supply.

The model is that of a synchronous machine with sine currents, limited in current by the driver and in voltage by the
supply; without the current's limit its torque is p psi (V / Z - w psi R / Z^2), as Acarnley, Stepping Motors, derives it
for a sinusoidal drive (from memory). It knows no resonance, no iron loss and no driver losses, so only a part of it is
counted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from evenbed.rig.tables import Motor

COUNTED = 0.7  # of the model's torque (no source)


@dataclass(frozen=True)
class Windings:
    """What the model needs: torque of one phase per ampere (N·m/A, also V s/rad), ohm, henry, pole pairs."""

    torque_nm_a: float
    resistance_ohm: float
    inductance_h: float
    pole_pairs: float


def windings(motor: Motor) -> Windings:
    """From a data sheet: the holding torque is given with both phases at rated current, sqrt 2 times one phase's."""
    return Windings(
        motor.holding_torque_nm / (math.sqrt(2.0) * motor.rated_current_a),
        motor.resistance_ohm,
        motor.inductance_mh / 1000.0,
        motor.full_steps / 4.0,
    )


def back_emf_v(w: Windings, turns_s: float) -> float:
    """Peak voltage that the turning rotor induces in a phase."""
    return w.torque_nm_a * 2.0 * math.pi * turns_s


def model_nm(w: Windings, current_a: float, volts: float, turns_s: float) -> float:
    """Most torque at a speed with at most ``current_a`` (peak of the sine) and ``volts`` across a phase; 0 if the supply
    cannot turn it so fast.

    The current is a point of the plane; the driver allows a disc about 0, the supply a disc about -E / Z. Torque is the
    current's part across the rotor, so the highest point of both discs is sought.
    """
    omega = 2.0 * math.pi * turns_s * w.pole_pairs
    emf = back_emf_v(w, turns_s)
    z2 = w.resistance_ohm**2 + (omega * w.inductance_h) ** 2
    # i = i_d + j i_q, v = (R + j w L) i + j E: the centre of the supply's disc is -j E / (R + j w L).
    d0, q0 = -omega * w.inductance_h * emf / z2, -emf * w.resistance_ohm / z2
    radius = volts / math.sqrt(z2)
    if math.hypot(d0, q0 - current_a) <= radius:
        return w.torque_nm_a * current_a
    top = q0 + radius
    if math.hypot(d0, top) <= current_a:
        return w.torque_nm_a * max(0.0, top)
    between = math.hypot(d0, q0)
    if between >= radius + current_a:
        return 0.0
    along = (between**2 + current_a**2 - radius**2) / (2.0 * between)
    across = math.sqrt(max(0.0, current_a**2 - along**2))
    # Both points where the circles cross; the higher one counts.
    q = max((along * q0 - across * d0) / between, (along * q0 + across * d0) / between)
    return w.torque_nm_a * max(0.0, q)


def standing_nm(motor: Motor) -> float:
    """Torque of the motor at a standstill, at the current that the driver is set to."""
    return windings(motor).torque_nm_a * motor.current_a


def holding_nm(motor: Motor) -> float:
    """The same at the current that the driver leaves after a while at a standstill."""
    return standing_nm(motor) * motor.hold_current_percent / 100.0


def torque_nm(motor: Motor, volts: float, turns_s: float) -> float:
    """Pull-out torque that may be counted on at a speed: the data sheet's curve where there is one (nothing beyond its
    end), else the part of the model's that is counted."""
    curve = motor.pull_out
    if not curve:
        return COUNTED * model_nm(windings(motor), motor.current_a, volts, turns_s)
    if turns_s > curve[-1][0]:
        return 0.0
    if turns_s <= curve[0][0]:
        return curve[0][1]
    for (v0, t0), (v1, t1) in pairwise(curve):
        if turns_s <= v1:
            return t0 + (t1 - t0) * (turns_s - v0) / (v1 - v0)
    return curve[-1][1]


def supply_a(motor: Motor, volts: float, driver_efficiency: float, others_w: float, torque: float, turns_s: float) -> float:
    """Mean current from the supply at a load: copper loss of both phases and work, over the driver's efficiency."""
    copper_w = motor.current_a**2 * motor.resistance_ohm
    work_w = torque * 2.0 * math.pi * turns_s
    return ((copper_w + work_w) / driver_efficiency + others_w) / volts
