"""Anything a stringer, a screen and bad luck may do in any order: what must hold all the same.

The true force stays below ceiling + overrun; nothing goes upwards that no tap has permitted since the last rest, and no
hold and no second press within a second is such a tap; head and board agree on what is going on; nothing raises.
"""

from __future__ import annotations

from evenbed.head import states as st
from evenbed.head.types import Ask, Pull
from evenbed_fw import safety
from evenbed_sim import presets
from evenbed_sim.strand import Strand
from handled_rig import HandledRig, cross_strand, main_strand, tether
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as some
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

REFERENCE_N = 200.0
AGREE_S = 0.7  # for so long head and board may differ: a silence of 0.25 s and a handshake lie in it
EDGE_N = (7.0, 14.0)  # around the 10 N from which a string counts as loaded the two may see it differently

L, A, M, H = safety.LATCHED, safety.ARMED, safety.MOVING, safety.HOLDING
F, E, B, C = safety.FROZEN, safety.EASING, safety.BACKING, safety.CUT
AGREE = {
    st.UNARMED: {L, F, E},  # frozen without a trip and nearly slack: the pedal still lets down
    st.REFERENCING: {A},
    st.SLACK: {A, E, F},  # what was left on is let down by the pedal, and then stands
    st.TAKING_UP: {M},
    st.DRAWING: {M},
    st.PRE_STRETCHING: {H},
    st.HOLDING: {H},
    st.PROVING_CLAMP: {H},
    st.EASING_OFF: {M, E},  # asked for on the screen and by the pedal at once
    st.RETURNING: {M, A, E},
    st.FROZEN: {F, E},
    st.BOOTED_LOADED: {L, F, E},
    st.TRIPPED: {F, E, B, C},
}

FAULTS = [
    "cell off",
    "cell stuck",
    "cell garbage",
    "cell garbage 0.05",
    "cell wrong 1.3",
    "cell slow 1.4",
    "cell delayed 2",
    "cell intermittent",
    "motor off",
    "motor wrong 0.6",
    "motor intermittent",
    "pedal off",
    "pedal stuck",
    "pedal intermittent",
    "board off",
    "board slow 5",
    "estop on",
    "supply off",
    "string slow 3",
    "string off",
]
WIRE = [
    f"{way} {how}"
    for way in ("to-host", "to-board")
    for how in ("off", "stuck", "garbage", "delayed", "delayed 300", "intermittent 0.6")
]
STRINGS = {
    "main": lambda: main_strand(presets.POLYESTER),
    "cross": lambda: cross_strand(presets.NYLON),
    "soft": lambda: tether(3.0, 20.0),
    "stiff": lambda: tether(60.0, 2.0),
    "none": lambda: tether(8.0, 400.0),
}


class AnyHands(RuleBasedStateMachine):
    """One rig, handled in any order."""

    @initialize(
        string=some.sampled_from(sorted(STRINGS)),
        over=some.sampled_from([0.0, 0.1]),
        seed=some.integers(1, 5),
        draw_s=some.sampled_from([0.0, 0.6, 2.5, 4.0]),
    )
    def mount(self, string: str, over: float, seed: int, draw_s: float) -> None:
        pull = Pull(REFERENCE_N, family="nylon", over_pull=over, over_pull_s=0.5)
        self.r = HandledRig(pull, STRINGS[string](), seed=seed)
        self.string = string
        self.seen = 0
        self.before_n = 0.0
        self.r.arm()
        if draw_s:
            self.r.tap()
            self.r.wait(draw_s)

    # --- time and the pedal ---------------------------------------------------------------------------------
    @rule(for_s=some.floats(0.02, 1.5))
    def time_passes(self, for_s: float) -> None:
        self.r.wait(for_s)

    @rule(for_s=some.floats(0.05, 0.6))
    def taps(self, for_s: float) -> None:
        self.r.tap(for_s)

    @rule(for_s=some.floats(0.8, 3.5))
    def holds(self, for_s: float) -> None:
        self.r.hold(for_s)

    @precondition(lambda self: self.r.head.state == st.SLACK)
    @rule(rest_s=some.floats(0.5, 1.3), for_s=some.sampled_from([0.2, 0.6, 2.0, 3.0]))
    def draws(self, rest_s: float, for_s: float) -> None:
        self.r.wait(rest_s)
        self.r.tap()
        self.r.wait(for_s)

    @precondition(lambda self: self.r.head.state == st.SLACK)
    @rule(rest_s=some.sampled_from([0.4, 1.3, 1.4]), for_s=some.sampled_from([0.2, 0.8, 1.5]))
    def a_host_draws_whatever_the_press_was(self, rest_s: float, for_s: float) -> None:
        """A program that has gone wrong: that no other press raises the force is the board's own doing."""
        self.r.wait(rest_s)
        self.r.press(True)
        self.r.wait(for_s)
        self.r.press(False)
        self.r.wait(0.06)
        head = self.r.head
        if head.state == st.SLACK and head.pull is not None:
            head._begin_draw(head.pull)
        self.r.wait(0.5)

    @precondition(lambda self: self.r.head.state in (st.UNARMED, st.TRIPPED))
    @rule()
    def clears_or_arms(self) -> None:
        self.r.hold(2.3)
        self.r.wait(0.5)

    @precondition(lambda self: self.r.head.state in (st.TRIPPED, st.FROZEN, st.BOOTED_LOADED))
    @rule()
    def lets_down(self) -> None:
        self.r.let_down_by_pedal(2)

    # --- a screen ----------------------------------------------------------------------------------------------
    @rule(ask=some.sampled_from(list(Ask)))
    def asks(self, ask: Ask) -> None:
        self.r.ask(ask)

    # --- hands on the string -------------------------------------------------------------------------------------
    @precondition(lambda self: self.r.head.state == st.HOLDING and self.string in ("main", "cross"))
    @rule(mm=some.sampled_from([-2.5, -1.0, 0.7]))
    def works_on_the_string(self, mm: float) -> None:
        self.r.rig.flush()
        self.r.rig.plant.add_path(mm, 0.5)
        self.r.wait(0.3)

    @rule()
    def sets_the_clamp(self) -> None:
        plant = self.r.rig.plant
        if self.r.rig.force_n > 50.0 and isinstance(plant, Strand):
            plant.close_clamp()
        self.r.wait(0.2)

    @precondition(lambda self: self.r.rig.force_n < 1.0)
    @rule(string=some.sampled_from(sorted(STRINGS)))
    def takes_another_string(self, string: str) -> None:
        self.before_n = max(self.before_n, self.r.rig.plant.peak_n)
        self.string = string
        self.r.rig.mount(STRINGS[string]())
        self.r.wait(0.2)

    # --- bad luck --------------------------------------------------------------------------------------------------
    @rule(line=some.sampled_from(FAULTS), for_s=some.sampled_from([0.05, 0.15, 0.5, 2.0]), then_s=some.floats(0.0, 0.6))
    def a_part_fails(self, line: str, for_s: float, then_s: float) -> None:
        if line == "pedal stuck":
            for_s = 2.0  # shorter, it is a tap like any other
        self.r.inject_now(f"{line} for {for_s}s")
        self.r.wait(then_s)

    @rule(line=some.sampled_from(WIRE), for_s=some.sampled_from([0.06, 0.4, 1.5]), then_s=some.floats(0.0, 3.0))
    def the_wire_fails(self, line: str, for_s: float, then_s: float) -> None:
        self.r.inject_now(f"{line} for {for_s}s")
        self.r.wait(then_s)

    # --- what must hold --------------------------------------------------------------------------------------------
    @invariant()
    def the_force_is_bounded(self) -> None:
        if hasattr(self, "r"):
            assert max(self.before_n, self.r.rig.plant.peak_n) <= self.r.bound_n

    @invariant()
    def nothing_goes_up_that_was_not_asked_for(self) -> None:
        if hasattr(self, "r"):
            assert self.r.unasked == []

    @invariant()
    def head_and_board_agree(self) -> None:
        if not hasattr(self, "r"):
            return
        moments = self.r.moments
        since: float | None = None
        for m in moments[self.seen :]:
            on_the_edge = EDGE_N[0] < m.force_n < EDGE_N[1]
            agree = m.faulty or on_the_edge or not m.state or m.board in AGREE[m.state]
            since = None if agree else since if since is not None else m.t_s
            assert since is None or m.t_s - since < AGREE_S, (m, self.r.host.events[-6:])
        self.seen = len(moments) if since is None else next(i for i, m in enumerate(moments) if m.t_s == since)


AnyHands.TestCase.settings = settings(
    max_examples=18,
    stateful_step_count=30,
    deadline=None,
    derandomize=True,
    phases=(Phase.generate,),  # to shrink a failure takes minutes
    suppress_health_check=[HealthCheck.too_slow],
)
TestAnyHands = AnyHands.TestCase
