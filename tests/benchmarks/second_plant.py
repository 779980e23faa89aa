"""A second plant, built differently from the simulated rig's own, to cross-check benchmark numbers.

Never used for tuning. It takes nothing from the simulated rig: the string is a chain of point masses,
friction is a bristle model, creep is an activated (sinh) flow beside two linear arms, frame and cell are one
resonance that creeps, and scipy integrates the whole as ordinary differential equations.

Layout, from the gripper inwards (positions grow towards the gripper)::

    gripper ~0~ A ~1~ B ~2~ C ~3~ anchor        ~n~ a stretch of string, A B C points where it rubs
                frame's edge   crossings   loop to the previous string

C is held on the frame until the hand-over; the new clamp holds A. A, B, C, anchor and clamps rub against or
hang on the frame, which is one mass on one spring. The points weigh some grams, more than string does, to keep
the system from being stiffer than its answers need: what that adds lies at hundreds of hertz.

Every number in the presets is a guess within common practice (no source), scattered by a fifth each way.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from random import Random

import numpy as np
import numpy.typing as npt
from evenbed_sim.plant import Plant
from scipy.integrate import solve_ivp

Vector = npt.NDArray[np.float64]
Four = tuple[float, float, float, float]
Rate = Callable[[float, Vector], float]

# Where each quantity sits in the state vector: three inner strains for each of four stretches, then these.
_A, _VA, _B, _VB, _C, _VC, _FRAME, _V_FRAME, _CREEP, _ZA, _ZB, _ZC, _Z_CLAMP = range(12, 25)
_MM_S2_PER_N_KG = 1000.0
_RTOL = 1e-8
# Inner strains; positions mm and velocities mm/s in turn, then the frame's creep mm, then the bristles mm.
_ATOL = np.array([1e-10] * 12 + [1e-7, 1e-4] * 4 + [1e-8] + [1e-7] * 4)
_SINH_LIMIT = 60.0  # a trial step of the solver may overshoot wildly; it is rejected, but must not overflow


@dataclass(frozen=True, slots=True)
class Fibre:
    """What the string is made of; every force is that of the whole section.

    Tension = ea_n·g + two linear arms + one arm whose dashpot flows as ``flow_per_s·sinh(tension/flow_n)``:
    Eyring's activated flow, which relaxes with the logarithm of time (Guiu and Pratt; both from memory).
    All arms act on the hardened strain g, so that the short-time stiffness rises with stress as well.
    """

    ea_n: float
    hardening_per_strain: float
    fast_share: float
    fast_s: float
    slow_share: float
    slow_s: float
    flow_share: float
    flow_n: float
    flow_per_s: float

    @property
    def glassy(self) -> float:
        """Short-time stiffness over long-time stiffness."""
        return 1.0 + self.fast_share + self.slow_share + self.flow_share


@dataclass(frozen=True, slots=True)
class Stretch:
    """``length_mm`` of string whose slope grows over the first ``toe_mm`` from ``toe_start`` to 1."""

    fibre: Fibre
    length_mm: float
    toe_mm: float = 0.0
    toe_start: float = 0.2

    def hardened(self, elongation_mm: float) -> tuple[float, float]:
        """The hardened strain g and its slope dg/dε at an elongation (negative: loose), both without unit."""
        strain, toe = elongation_mm / self.length_mm, self.toe_mm / self.length_mm
        if toe > 0.0:
            if strain <= 0.0:
                return self.toe_start * strain, self.toe_start
            if strain < toe:
                rise = (1.0 - self.toe_start) / toe
                return (self.toe_start + 0.5 * rise * strain) * strain, self.toe_start + rise * strain
        beyond = max(strain - toe, 0.0)
        start = 0.5 * (1.0 + self.toe_start) * toe + min(strain - toe, 0.0)
        h = self.fibre.hardening_per_strain
        return start + beyond * (1.0 + 0.5 * h * beyond), 1.0 + h * beyond

    def elongation_mm(self, g: float) -> float:
        """The elongation at which a stretch without toe has the hardened strain ``g`` ≥ 0, mm."""
        h = self.fibre.hardening_per_strain
        return self.length_mm * (g if h == 0.0 else (math.sqrt(1.0 + 2.0 * h * g) - 1.0) / h)

    def tension(self, elongation_mm: float, q_fast: float, q_slow: float, q_flow: float) -> Four:
        """Tension in N and the rates of the three inner strains in 1/s.

        String cannot push: below the strain at which the arms balance it is loose and recovers at tension 0.
        """
        f = self.fibre
        g, _ = self.hardened(elongation_mm)
        pulled_back = f.fast_share * q_fast + f.slow_share * q_slow + f.flow_share * q_flow
        loose = pulled_back / f.glassy
        if g > loose:
            tension_n = f.ea_n * (f.glassy * g - pulled_back)
        else:
            g, tension_n = loose, 0.0
        drive = f.ea_n * f.flow_share * (g - q_flow) / f.flow_n
        flow = f.flow_per_s * math.sinh(max(-_SINH_LIMIT, min(_SINH_LIMIT, drive)))
        return tension_n, (g - q_fast) / f.fast_s, (g - q_slow) / f.slow_s, flow


@dataclass(frozen=True, slots=True)
class Rubbing:
    """LuGre friction at a point: the Coulomb level follows the tension so that sliding ends in exp(±turn)."""

    turn: float  # coefficient of friction times angle
    bristle_mm: float = 0.25
    static_excess: float = 0.0
    stribeck_mm_s: float = 2.0
    bristle_damping_s: float = 3e-4

    def force(self, sum_n: float, z_mm: float, v_mm_s: float, across_mm_s: float) -> tuple[float, float]:
        """Friction in N, and dz/dt in mm/s. ``sum_n``: both tensions together; ``across_mm_s``: motion across
        the string, which turns the friction away from it."""
        top_mm = self.bristle_mm * self.excess(v_mm_s)
        rate = v_mm_s - (abs(v_mm_s) + across_mm_s) * z_mm / top_mm
        return self.level(sum_n) * (z_mm + self.bristle_damping_s * rate) / self.bristle_mm, rate

    def excess(self, v_mm_s: float) -> float:
        """The Stribeck factor: 1 when sliding fast, ``1 + static_excess`` when just about to slide."""
        return 1.0 + self.static_excess * math.exp(-((v_mm_s / self.stribeck_mm_s) ** 2))

    def level(self, sum_n: float) -> float:
        """Coulomb level in N: T2 − T1 = (T2 + T1)·tanh(turn/2) is the same as T2/T1 = exp(turn)."""
        return sum_n * math.tanh(0.5 * self.turn)


@dataclass(frozen=True, slots=True)
class Setup:
    """Everything the second plant is built from."""

    stretches: tuple[Stretch, Stretch, Stretch, Stretch]
    rubbing: tuple[Rubbing, Rubbing, Rubbing]
    frame_n_per_mm: float = 150.0  # frame and cell in series
    frame_kg: float = 1.5
    frame_damping_ratio: float = 0.03
    frame_creep_share: float = 0.05  # of the elastic deflection, in the end
    frame_creep_s: float = 20.0
    point_kg: float = 0.008
    point_n_s_per_mm: float = 0.005
    clamp_n_per_mm: float = 400.0  # gives the drawback when the head lets off
    previous_share: float = 0.8  # tension of the previous string over the force at the hand-over
    across_per_path: float = 2.0  # crosswise rubbing per unit of path gained or lost


class SecondPlant:
    """The second plant; implements :class:`evenbed_sim.plant.Plant`. ``slack_mm``: travel before contact."""

    def __init__(self, setup: Setup, slack_mm: float) -> None:
        self.setup = setup
        self._state: Vector = np.zeros(25)
        self._slack_mm = slack_mm
        self._gripper_mm = self._path_mm = 0.0
        self._gripper_mm_s = self._path_mm_s = 0.0
        self._hands: deque[list[float]] = deque()  # [seconds left, mm/s]
        self._previous_mm = 0.0
        self._previous_free = self._broken = False
        self._clamp_n: float | None = None  # None: no clamp; inf: one that holds
        self._step_s = 5e-4
        self.force_n = self.peak_n = 0.0

    # --- what the rig asks ---------------------------------------------------------------------------------
    def advance(self, dt_s: float, dx_mm: float) -> None:
        self._gripper_mm_s = dx_mm / dt_s
        left_s = dt_s
        while left_s > 0.0:
            piece_s = left_s
            self._path_mm_s = 0.0
            if self._hands:
                piece_s = min(left_s, self._hands[0][0])
                self._path_mm_s = self._hands[0][1]
                self._hands[0][0] -= piece_s
                if self._hands[0][0] <= 0.0:
                    self._hands.popleft()
            self._integrate(piece_s)
            left_s -= piece_s
        self._path_mm_s = 0.0

    def reset_peak(self) -> None:
        self.peak_n = self.force_n

    def stiffness_n_per_mm(self) -> float:
        """Short-time tangent for pulling, with the bristles as they stand now, N/mm; 0 while slack."""
        if self.force_n <= 0.0:
            return 0.0
        s = self._state.tolist()
        mm, n = self._elongations_mm(0.0, s), self._tensions_n(0.0, s)
        k = [
            x.fibre.ea_n * x.fibre.glassy * x.hardened(mm[i])[1] / x.length_mm if n[i] > 0.0 else 0.0
            for i, x in enumerate(self.setup.stretches)
        ]
        points = (2, 1, 0) if self._previous_free else (1, 0)
        inner = k[points[0] + 1]
        for i in points:
            rubbing = self.setup.rubbing[i]
            used = s[_ZA + i] / rubbing.bristle_mm
            hold = rubbing.level(n[i] + n[i + 1]) / rubbing.bristle_mm * max(0.0, 1.0 - used / rubbing.excess(0.0))
            if i == 0:
                hold += self.setup.clamp_n_per_mm * self._clamp_gives(1.0, s[_Z_CLAMP])
            follow = math.tanh(0.5 * rubbing.turn) * used
            ahead = ((1.0 + follow) * inner + hold) / (1.0 - follow)
            inner = k[i] * ahead / (k[i] + ahead) if k[i] > 0.0 else 0.0
        return inner * self.setup.frame_n_per_mm / (inner + self.setup.frame_n_per_mm)

    def bed_tension_n(self) -> float:
        return self._tensions_n(0.0, self._state.tolist())[1]

    # --- what hands do -------------------------------------------------------------------------------------
    def free_previous_clamp(self) -> None:
        if self._previous_free:
            return
        stretch = self.setup.stretches[3]
        # The previous string has stood for a while: all but a fifth has flowed out of its flowing arm.
        share = 1.0 + 0.2 * stretch.fibre.flow_share
        g = self.setup.previous_share * self.force_n / (stretch.fibre.ea_n * share)
        self._state[9:12] = (g, g, 0.8 * g)
        self._previous_mm = stretch.elongation_mm(g)
        self._previous_free = True
        self._state[_ZC] = 0.0

    def add_path(self, mm: float, duration_s: float) -> None:
        self._hands.append([duration_s, mm / duration_s])

    def close_clamp(self, slips_above_n: float | None = None) -> None:
        self._clamp_n = math.inf if slips_above_n is None else slips_above_n or None
        self._state[_Z_CLAMP] = 0.0

    def string_breaks(self) -> None:
        self._broken = True
        self.force_n = 0.0

    def gripper_slips(self, mm: float) -> None:
        self._slack_mm += mm
        self.force_n = self._tensions_n(0.0, self._state.tolist())[0]

    # --- the equations -------------------------------------------------------------------------------------
    def _elongations_mm(self, t: float, s: list[float]) -> Four:
        half_path_mm = 0.5 * (self._path_mm + self._path_mm_s * t)
        return (
            self._gripper_mm + self._gripper_mm_s * t - self._slack_mm - s[_A],
            s[_A] - s[_B] + half_path_mm,
            s[_B] - s[_C] + half_path_mm,
            s[_C] - s[_FRAME] + self._previous_mm,
        )

    def _tensions_n(self, t: float, s: list[float]) -> list[float]:
        mm = self._elongations_mm(t, s)
        n = [x.tension(mm[i], *s[3 * i : 3 * i + 3])[0] for i, x in enumerate(self.setup.stretches)]
        if self._broken:
            n[0] = 0.0
        return n

    def _clamp_gives(self, v_mm_s: float, z_mm: float) -> float:
        """dz/dt of the clamp's spring: all of v below the slip level, none at it (Dahl's law, exponent 4)."""
        if self._clamp_n is None:
            return 0.0
        share = min(1.0, abs(z_mm) * self.setup.clamp_n_per_mm / self._clamp_n)
        return v_mm_s * (1.0 - share**4) if v_mm_s * z_mm > 0.0 else v_mm_s

    def _rates(self, t: float, state: Vector) -> list[float]:
        s: list[float] = state.tolist()
        setup, stretches = self.setup, self.setup.stretches
        mm = self._elongations_mm(t, s)
        n0, *q0 = stretches[0].tension(mm[0], s[0], s[1], s[2])
        n1, *q1 = stretches[1].tension(mm[1], s[3], s[4], s[5])
        n2, *q2 = stretches[2].tension(mm[2], s[6], s[7], s[8])
        if self._broken:
            n0 = 0.0
        v_frame = s[_V_FRAME]
        va, vb, vc = s[_VA] - v_frame, s[_VB] - v_frame, s[_VC] - v_frame
        across = setup.across_per_path * abs(self._path_mm_s)
        rub_a, za = setup.rubbing[0].force(n0 + n1, s[_ZA], va, 0.0)
        rub_b, zb = setup.rubbing[1].force(n1 + n2, s[_ZB], vb, across)
        rub_a += setup.point_n_s_per_mm * va
        rub_b += setup.point_n_s_per_mm * vb
        z_clamp = 0.0
        if self._clamp_n is not None:
            z_clamp = self._clamp_gives(va, s[_Z_CLAMP])
            rub_a += setup.clamp_n_per_mm * s[_Z_CLAMP]
        if self._previous_free:
            n3, *q3 = stretches[3].tension(mm[3], s[9], s[10], s[11])
            rub_c, zc = setup.rubbing[2].force(n2 + n3, s[_ZC], vc, 0.0)
            rub_c += setup.point_n_s_per_mm * vc
            on_frame_n = rub_a + rub_b + rub_c + n3
        else:
            q3, zc = [0.0, 0.0, 0.0], 0.0
            on_frame_n = rub_a + rub_b + n2
        mass_n_s2_per_mm = setup.frame_kg / _MM_S2_PER_N_KG
        damping = 2.0 * setup.frame_damping_ratio * math.sqrt(setup.frame_n_per_mm * mass_n_s2_per_mm)
        spring_n = setup.frame_n_per_mm * (s[_FRAME] - s[_CREEP])
        a_frame = (on_frame_n - spring_n - damping * v_frame) / mass_n_s2_per_mm
        creep = (setup.frame_creep_share * spring_n / setup.frame_n_per_mm - s[_CREEP]) / setup.frame_creep_s
        per_kg = _MM_S2_PER_N_KG / setup.point_kg
        a_c = (n2 - n3 - rub_c) * per_kg if self._previous_free else a_frame
        return [
            *q0, *q1, *q2, *q3,
            s[_VA], (n0 - n1 - rub_a) * per_kg,
            s[_VB], (n1 - n2 - rub_b) * per_kg,
            s[_VC], a_c,
            v_frame, a_frame, creep,
            za, zb, zc, z_clamp,
        ]  # fmt: skip

    def _tautness(self, t: float, state: Vector) -> float:
        """Above 0 while the outer stretch carries tension; exactly 0 at contact."""
        outer = self.setup.stretches[0]
        s: list[float] = state.tolist()
        f = outer.fibre
        loose = (f.fast_share * s[0] + f.slow_share * s[1] + f.flow_share * s[2]) / f.glassy
        return outer.hardened(self._elongations_mm(t, s)[0])[0] - loose

    def _force_rate(self, t: float, state: Vector) -> float:
        """dF/dt at the gripper in N/s; its fall through 0 is a crest of the force."""
        outer = self.setup.stretches[0]
        s: list[float] = state.tolist()
        f, mm = outer.fibre, self._elongations_mm(t, s)[0]
        tension_n, fast, slow, flow = outer.tension(mm, s[0], s[1], s[2])
        if tension_n <= 0.0 or self._broken:
            return -1.0
        strain_per_s = (self._gripper_mm_s - s[_VA]) / outer.length_mm
        flowing = f.fast_share * fast + f.slow_share * slow + f.flow_share * flow
        return f.ea_n * (f.glassy * outer.hardened(mm)[1] * strain_per_s - flowing)

    def _integrate(self, dt_s: float) -> None:
        """Solve over ``dt_s``, stopping and starting again wherever the outer stretch goes taut or loose."""
        done_s = 0.0
        taut = self._tautness(0.0, self._state) > 0.0
        while done_s < dt_s:
            contact = _event(self._tautness, -1.0 if taut else 1.0, True)
            crest = _event(self._force_rate, -1.0, False)
            out = solve_ivp(
                self._rates, (done_s, dt_s), self._state, method="RK45", rtol=_RTOL, atol=_ATOL,
                first_step=min(self._step_s, dt_s - done_s), events=(contact, crest),
            )  # fmt: skip
            if not out.success:
                raise RuntimeError(f"the second plant could not be integrated: {out.message}")
            seen = [*zip(out.t, out.y.T, strict=True), *zip(out.t_events[1], out.y_events[1], strict=True)]
            self.peak_n = max(self.peak_n, *(self._tensions_n(float(t), y.tolist())[0] for t, y in seen))
            self._state = out.y[:, -1].copy()
            if len(out.t) > 2:
                self._step_s = float(np.max(np.diff(out.t)[:-1]))
            done_s = float(out.t[-1])
            taut = taut != (out.status == 1)
        self._gripper_mm += self._gripper_mm_s * dt_s
        self._path_mm += self._path_mm_s * dt_s
        self.force_n = self._tensions_n(0.0, self._state.tolist())[0]
        self.peak_n = max(self.peak_n, self.force_n)


def _event(function: Rate, direction: float, terminal: bool) -> Rate:
    """``function`` dressed as scipy wants its events; a bound method takes no attributes."""

    def event(t: float, state: Vector) -> float:
        return function(t, state)

    event.direction = direction  # type: ignore[attr-defined]
    event.terminal = terminal  # type: ignore[attr-defined]
    return event


@dataclass(frozen=True, slots=True)
class Family:
    """Middle values of a family; :func:`second_plant` scatters them. Common practice, no source."""

    free_mm: float
    reference_n: float
    ea_n: float
    hardening: float  # slope at reference over slope at zero, less one
    fast_share: float
    slow_share: float
    flow_share: float
    loss_per_decade: float  # of the reference tension, by the flow alone
    toe_mm: float


FAMILIES: dict[str, Family] = {
    "gut": Family(620.0, 240.0, 3700.0, 0.05, 0.15, 0.04, 0.45, 0.018, 2.0),
    "nylon": Family(620.0, 240.0, 2400.0, 0.60, 0.30, 0.08, 0.60, 0.030, 4.0),
    "polyester": Family(620.0, 240.0, 5400.0, 0.20, 0.25, 0.08, 0.65, 0.050, 5.0),
    "aramid": Family(620.0, 240.0, 22000.0, 0.30, 0.15, 0.04, 0.50, 0.035, 2.0),
    "short polyester": Family(420.0, 240.0, 5400.0, 0.20, 0.25, 0.08, 0.65, 0.050, 5.0),
    "badminton nylon": Family(450.0, 105.0, 850.0, 0.50, 0.35, 0.08, 0.60, 0.030, 3.0),
}
_FLOW_DECADES = 6.0  # decades of strain rate between drawing and flow that no longer feels the load
_DRAW_PER_S = 0.1  # strain rate of a draw
_WOVEN_TOE_MM = 2.0


def second_plant(family: str, rng: Random, slack_mm: float, woven: bool) -> Plant:
    """A plant of one of :data:`FAMILIES`, every parameter scattered by ±20 % with ``rng``.

    ``slack_mm``: travel before contact; ``woven``: a cross between mains (friction and a toe in the bed).
    Raises :class:`KeyError` on a family that is not listed.
    """
    middle = FAMILIES[family]

    def near(value: float) -> float:
        return value * rng.uniform(0.8, 1.2)

    free_mm, ea_n = near(middle.free_mm), near(middle.ea_n)
    fibre = Fibre(
        ea_n=ea_n,
        hardening_per_strain=near(middle.hardening) * middle.ea_n / middle.reference_n,
        fast_share=near(middle.fast_share),
        fast_s=near(0.03),
        slow_share=near(middle.slow_share),
        slow_s=near(0.8),
        flow_share=near(middle.flow_share),
        flow_n=near(middle.loss_per_decade) * middle.reference_n / math.log(10.0),
        flow_per_s=_DRAW_PER_S / math.sinh(near(_FLOW_DECADES) * math.log(10.0)),
    )
    outer_mm = near(0.5) * free_mm
    half_mm = 0.5 * (free_mm - outer_mm)
    half_toe_mm = near(_WOVEN_TOE_MM) if woven else 0.0
    half = Stretch(fibre, half_mm, half_toe_mm, toe_start=near(0.2))

    def rubbing(turn: float) -> Rubbing:
        return Rubbing(near(turn), near(0.25), near(0.08), near(2.0))

    frame_n_per_mm = near(150.0)
    ring_per_s = 2.0 * math.pi * rng.uniform(30.0, 80.0)
    point_kg = near(0.008)
    # A fifth of critical for a point on the outer stretch: string on its way is not a bell.
    point_n_s_per_mm = near(0.4) * math.sqrt(ea_n / outer_mm * point_kg / _MM_S2_PER_N_KG)
    setup = Setup(
        stretches=(
            Stretch(fibre, outer_mm, near(middle.toe_mm), toe_start=near(0.2)),
            half,
            half,
            Stretch(fibre, near(0.55) * free_mm),
        ),
        rubbing=(rubbing(0.06), rubbing(0.30 if woven else 0.04), rubbing(0.14)),
        frame_n_per_mm=frame_n_per_mm,
        frame_kg=frame_n_per_mm * _MM_S2_PER_N_KG / ring_per_s**2,
        frame_damping_ratio=near(0.03),
        frame_creep_share=near(0.05),
        frame_creep_s=near(20.0),
        point_kg=point_kg,
        point_n_s_per_mm=point_n_s_per_mm,
        clamp_n_per_mm=middle.reference_n / near(0.6),
        previous_share=near(0.8),
        across_per_path=near(2.0),
    )
    return SecondPlant(setup, slack_mm)
