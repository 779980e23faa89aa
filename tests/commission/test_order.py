"""What may follow what: repeated, passed over, kept, begun later; nothing moves before what it needs has passed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from commission_runs import EARLIER, MODEL, TODAY, measured_before
from evenbed.cli.commission import RATES_HZ
from evenbed.cli.commission_rim import RimError, find_port
from evenbed.commission.commissioning import NAMES, STEPS, Commissioning
from evenbed.commission.moments import Moment
from evenbed.commission.moving import Moving
from evenbed.rig import Rig, default_rig
from evenbed_fw.safety import F_PEDAL_FAULT, F_SUPPLY


class Table:
    """A first start by hand."""

    def __init__(self, rig: Rig | None = None, begin_at: str = NAMES[0]) -> None:
        self.steps = Commissioning(rig or default_rig(), TODAY, RATES_HZ, begin_at)
        self.steps.meet(MODEL, "a board")
        self.m = Moment(0.0, force_n=0.0)

    def feed(self, times: int = 1, **change: object) -> Table:
        self.m = replace(self.m, **change)  # type: ignore[arg-type]
        for _ in range(times):
            self.m = replace(self.m, t_s=self.m.t_s + 0.04)
            self.steps.step(self.m)
        return self

    def type(self, *lines: str) -> Table:
        for line in lines:
            self.steps.typed(line)
        return self.feed()

    @property
    def verdicts(self) -> dict[str, str]:
        return {o.step.name: o.verdict for o in self.steps.outcomes}

    def said(self) -> str:
        return "\n".join(s.text for s in self.steps.told)


def failed_inputs() -> Table:
    return Table().feed(2).feed(30, flags=F_SUPPLY | F_PEDAL_FAULT)


def test_a_failed_step_waits_for_an_answer_and_is_done_again() -> None:
    table = failed_inputs()
    assert "Put it right" in table.said() and table.verdicts == {"port": "passed"}
    table.type("what?").feed(50, flags=0)
    assert table.verdicts == {"port": "passed"}
    table.type("again").feed(3, flags=F_SUPPLY)
    assert "Press the pedal" in table.said()
    assert [name for name, _ in table.steps.failures] == ["inputs"]


def test_what_failed_is_written_as_such_at_once() -> None:
    table = failed_inputs()
    written = table.steps.writes[-1]["measured.inputs"]
    assert (written.value, written.on) == (False, TODAY)


def test_a_step_is_passed_over_only_with_its_reason_and_nothing_that_needs_it_follows() -> None:
    table = Table().feed(3).type("skip")
    assert "Say why" in table.said() and not table.steps.over
    table.type("skip no pedal here yet").feed(3)
    assert table.verdicts["inputs"] == "left out" and table.steps.outcomes[1].says == "no pedal here yet"
    # Reading and rate need no inputs; whatever moves does.
    table.type("skip no cell").feed(3)
    moving = {step.name for step in STEPS if issubclass(step, Moving)}
    assert moving == {name for name in moving if table.verdicts.get(name) == "left out"}
    assert table.steps.over and not table.steps.passed and not any(a.kind == "connect" for a in table.steps.acts)


def test_passing_over_what_failed_leaves_it_failed() -> None:
    table = failed_inputs().type("skip nobody will press it")
    assert table.verdicts["inputs"] == "failed" and "passed over: nobody will" in table.steps.outcomes[1].says


def test_every_step_that_moves_needs_inputs_reading_and_rate_first() -> None:
    for step in STEPS:
        if issubclass(step, Moving):
            assert {"inputs", "reading", "rate"} <= set(step.needs)
            assert all(NAMES.index(need) < NAMES.index(step.name) for need in step.needs)


def test_results_of_an_earlier_day_are_shown_and_kept_or_measured_anew() -> None:
    table = Table(measured_before("inputs", "reading")).feed(3)
    assert f"inputs yes ({EARLIER})" in table.said()
    rate = Table(measured_before("rate"), "reading").feed(3).type("skip no cell yet").feed(3)
    assert f"rate 1 Hz ({EARLIER}), noise 1 N ({EARLIER})" not in rate.said()  # it needs the reading
    kept = Table(measured_before("inputs", "reading", "rate"), "direction").feed(3)
    assert f"rate 1 Hz ({EARLIER}), noise 1 N ({EARLIER})" in kept.said()
    table.type("").feed(2)
    assert table.verdicts["inputs"] == "kept"
    table.type("again").feed(2)
    assert "hands away" in table.said() and "reading" not in table.verdicts


def test_beginning_later_keeps_what_there_is_and_leaves_out_what_there_is_not() -> None:
    table = Table(measured_before("inputs", "reading", "rate"), "direction").feed(3)
    assert table.verdicts == {"port": "passed", "inputs": "kept", "reading": "kept", "rate": "kept"}
    late = Table(measured_before("inputs", "reading"), "direction").feed(3)
    assert late.verdicts["rate"] == "left out" and late.verdicts["direction"] == "left out"
    assert late.steps.over  # nothing that follows may move


def test_a_step_that_failed_on_an_earlier_day_is_not_kept() -> None:
    from evenbed.rig import changed
    from evenbed.rig.tables import Result

    rig = changed(measured_before("inputs", "reading", "rate"), {"measured.reading": Result(False, EARLIER)})
    assert Table(rig, "direction").feed(3).verdicts["reading"] == "left out"


def test_given_up_in_the_middle_it_comes_to_rest_before_it_begins_anew() -> None:
    table = Table(measured_before("inputs", "reading", "rate"), "direction").feed(40)
    table.feed(2, state="unarmed").feed(1, state="slack").feed(2, state="taking_up", position_mm=3.0)
    table.type("again")
    assert any(a.ask is not None and a.ask.value == "stop" for a in table.steps.acts)
    said = len(table.steps.told)
    table.feed(3, state="frozen")
    assert not any("5 of 12" in s.text for s in table.steps.told[said:])
    table.feed(2, state="slack").feed(3, state="unarmed")
    assert any("5 of 12" in s.text for s in table.steps.told[said:])
    assert table.steps.failures == []


def test_a_question_that_nobody_answers_ends_it() -> None:
    table = failed_inputs().feed(2, t_s=850.0)
    assert not table.steps.over
    table.feed(2, t_s=1800.0)
    assert table.steps.over and table.verdicts["inputs"] == "failed"


def test_stop_in_the_middle_brings_it_to_rest_first() -> None:
    table = Table(measured_before("inputs", "reading", "rate"), "direction").feed(40)
    table.feed(2, state="unarmed").feed(1, state="slack").feed(2, state="drawing", force_n=8.0).type("stop")
    assert not table.steps.over
    table.feed(2, state="frozen").feed(2, state="slack", force_n=0.0).feed(2, state="unarmed")
    assert table.steps.over and table.steps.stopped


def test_stop_keeps_what_is_done() -> None:
    table = Table().feed(3).type("stop")
    assert table.steps.over and table.verdicts == {"port": "passed"}
    assert [s.name for s in table.steps.unfinished] == list(NAMES[1:])


def test_a_step_that_does_not_exist_is_named() -> None:
    with pytest.raises(ValueError, match="direction"):
        Table(begin_at="directions")


# --- the port ----------------------------------------------------------------------------------------------------------
def test_the_port_that_appears_is_the_boards() -> None:
    seen = iter([["a", "b"], ["a", "b"], ["b"], ["b", "a (a board)"]])
    assert find_port(lambda text: None, lambda: next(seen)) == "a"


def test_no_port_that_appears_is_said() -> None:
    with pytest.raises(RimError, match="--port"):
        find_port(lambda text: None, lambda: ["b"], wait_s=0.01)
