"""The stepper's model against its own equations solved in another way, and against the data sheet's curve."""

from __future__ import annotations

import math

import numpy as np
import pytest
from evenbed.design.motors import (
    COUNTED,
    Windings,
    back_emf_v,
    holding_nm,
    model_nm,
    standing_nm,
    supply_a,
    torque_nm,
    windings,
)
from evenbed.rig.tables import Motor
from hypothesis import given, settings
from hypothesis import strategies as st

WINDINGS = st.builds(Windings, st.floats(0.05, 1.0), st.floats(0.1, 10.0), st.floats(2e-4, 2e-2), st.just(50.0))
CURRENT, VOLTS, TURNS = st.floats(0.2, 10.0), st.floats(5.0, 80.0), st.floats(0.0, 60.0)


def searched_nm(w: Windings, current_a: float, volts: float, turns_s: float) -> float:
    """Most torque by trying every current that the driver allows: v = (R + j w L) i + j E for a sine-fed synchronous
    machine (textbooks), |v| within the supply."""
    radius = np.linspace(0.0, current_a, 400)[:, None]
    angle = np.linspace(0.0, 2.0 * np.pi, 1440)[None, :]
    i = radius * np.exp(1j * angle)
    omega = 2.0 * np.pi * turns_s
    v = (w.resistance_ohm + 1j * omega * w.pole_pairs * w.inductance_h) * i + 1j * omega * w.torque_nm_a
    torque = np.where(np.abs(v) <= volts, w.torque_nm_a * i.imag, 0.0)
    return float(max(0.0, torque.max()))


@pytest.mark.parametrize("volts", [12.0, 24.0, 48.0])
@pytest.mark.parametrize("turns_s", [0.0, 2.0, 8.0, 15.0, 30.0, 60.0])
def test_the_model_finds_the_best_current(volts: float, turns_s: float) -> None:
    w = windings(Motor())
    assert model_nm(w, 4.2, volts, turns_s) == pytest.approx(searched_nm(w, 4.2, volts, turns_s), abs=0.006)


def test_where_only_the_supply_limits_it_is_the_textbooks_formula() -> None:
    """T = p psi (V / Z - w psi R / Z^2): Acarnley, Stepping Motors (from memory); K = p psi."""
    w = Windings(0.3, 2.0, 5e-3, 50.0)
    for turns_s in (1.0, 4.0, 10.0):
        omega = 2.0 * math.pi * turns_s * w.pole_pairs
        z = math.hypot(w.resistance_ohm, omega * w.inductance_h)
        by_hand = w.torque_nm_a * (24.0 / z - omega * (w.torque_nm_a / w.pole_pairs) * w.resistance_ohm / z**2)
        assert model_nm(w, 1000.0, 24.0, turns_s) == pytest.approx(max(0.0, by_hand))


def test_a_standstill() -> None:
    """Both phases at rated current give sqrt 2 of one; a sine with that peak gives one phase's torque (common practice,
    no source)."""
    motor = Motor(holding_torque_nm=1.9, rated_current_a=2.8, current_a=2.8, hold_current_percent=50.0)
    assert standing_nm(motor) == pytest.approx(1.9 / math.sqrt(2.0))
    assert holding_nm(motor) == pytest.approx(0.95 / math.sqrt(2.0))
    assert torque_nm(motor, 48.0, 0.0) == pytest.approx(COUNTED * 1.9 / math.sqrt(2.0))
    assert standing_nm(Motor(rated_current_a=2.0, current_a=2.0 * math.sqrt(2.0))) == pytest.approx(1.9)
    # Power is speed times torque: E i = T w for one ampere.
    assert back_emf_v(windings(motor), 10.0) == pytest.approx(windings(motor).torque_nm_a * 20.0 * math.pi)


@settings(max_examples=50)
@given(WINDINGS, CURRENT, VOLTS, TURNS, TURNS)
def test_more_speed_never_gives_more_torque(w: Windings, amps: float, volts: float, one: float, other: float) -> None:
    slow, fast = sorted((one, other))
    assert model_nm(w, amps, volts, fast) <= model_nm(w, amps, volts, slow) + 1e-9


@settings(max_examples=50)
@given(WINDINGS, CURRENT, VOLTS, VOLTS, TURNS)
def test_more_volts_never_give_less(w: Windings, amps: float, one: float, other: float, turns_s: float) -> None:
    low, high = sorted((one, other))
    assert model_nm(w, amps, low, turns_s) <= model_nm(w, amps, high, turns_s) + 1e-9


@settings(max_examples=50)
@given(WINDINGS, CURRENT, CURRENT, VOLTS, TURNS)
def test_more_amperes_never_give_less(w: Windings, one: float, other: float, volts: float, turns_s: float) -> None:
    low, high = sorted((one, other))
    assert model_nm(w, low, volts, turns_s) <= model_nm(w, high, volts, turns_s) + 1e-9
    assert model_nm(w, low, volts, turns_s) <= w.torque_nm_a * low + 1e-9


def test_a_data_sheets_curve_goes_before_the_model() -> None:
    motor = Motor(pull_out=((1.0, 1.5), (10.0, 1.2), (20.0, 0.6)))
    assert [torque_nm(motor, 24.0, v) for v in (0.0, 1.0, 5.5, 15.0, 20.0)] == pytest.approx([1.5, 1.5, 1.35, 0.9, 0.6])
    # What the sheet does not say is not counted on.
    assert torque_nm(motor, 24.0, 20.1) == 0.0


def test_supply_current() -> None:
    """Copper of two phases at the same sine, I^2 R, and work: 2 A, 1 ohm, 0.5 N m at 10 turns/s: 4 + 31.4 W."""
    motor = Motor(current_a=2.0, resistance_ohm=1.0)
    assert supply_a(motor, 24.0, 1.0, 0.0, 0.5, 10.0) == pytest.approx((4.0 + 31.4159) / 24.0, rel=1e-5)
    assert supply_a(motor, 24.0, 0.8, 6.0, 0.0, 0.0) == pytest.approx((5.0 + 6.0) / 24.0)
