"""Which string was clamped last, whatever is asked meanwhile: pulled once more, taken back, broken, killed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from evenbed.job import marks
from evenbed.job.asked import Measured, whole_n_mm
from evenbed.job.marks import fold
from evenbed.job.view import view
from evenbed.racquet.model import StringName
from job_runs import Bench, demo_plan


def strung(pulls: int = 3) -> Bench:
    b = Bench()
    b.to_stringing()
    b.string(pulls)
    return b


def labels(b: Bench) -> list[str]:
    return [d.pull.label for d in b.job.state.done]


def on_head(b: Bench, *states: str) -> None:
    for state in states:
        b.head(state)


def resumed(b: Bench) -> Bench:
    return Bench(b.plan, list(b.written))


# --- once more, and then something else ------------------------------------------------------------------------------
def test_another_string_gets_neither_the_name_nor_the_stiffness_of_the_one_that_was_to_be_pulled_once_more() -> None:
    b = strung()
    b.act("again")
    chosen = b.job.state.left[3]
    said = b.act("choose", number=chosen.number)
    assert "main 2 right is not pulled once more" in said[0].text
    wanted = b.job.wanted
    assert wanted is not None and (wanted.label, wanted.stiffness_n_mm) == (chosen.label, None)
    b.pull()
    assert labels(b) == ["main 1 left", "main 1 right", "main 2 right", chosen.label]
    assert not any(d.again for d in b.job.state.done)
    assert fold(b.plan, b.written).done == b.job.state.done


def test_the_string_that_is_to_be_pulled_once_more_is_next_already() -> None:
    b = strung()
    b.act("again")
    wanted, written = b.job.wanted, len(b.written)
    assert b.act("choose", number=3)[0].text == "main 2 right is next already."
    assert b.job.wanted == wanted and len(b.written) == written


def test_once_more_said_twice_is_said_once() -> None:
    b = strung()
    b.act("again")
    wanted, written = b.job.wanted, len(b.written)
    b.act("again")
    assert b.job.wanted == wanted and len(b.written) == written
    b.pull()
    assert labels(b) == ["main 1 left", "main 1 right", "main 2 right"] and b.job.state.done[-1].again


@pytest.mark.parametrize("way", ["take back", "finish", "give up"])
def test_what_is_not_pulled_once_more_after_all_is_in_the_bed(way: str) -> None:
    b = strung()
    b.act("again")
    b.act(way)
    assert labels(b)[-1] == "main 2 right" and b.job.state.again is None
    if way == "take back":
        assert b.job.wanted is not None and b.job.wanted.label == "taking back main 2 right"
        b.head("taking_up")
        b.record(ended="let down")
        assert labels(b) == ["main 1 left", "main 1 right"]


def test_a_knot_is_still_to_be_tied_if_its_string_is_not_pulled_once_more() -> None:
    b = strung(5)
    while not b.job.state.knot:
        b.pull()
    knot = b.job.state.knot
    b.act("again")
    assert b.job.state.knot == ""
    b.act("choose", number=b.job.state.left[1].number)
    assert b.job.state.knot == knot


def test_a_string_pulled_once_more_is_pulled_at_the_reference_of_now() -> None:
    b = strung()
    b.act("tension", kind="main", newtons=180.0)
    b.act("again")
    assert b.job.wanted is not None and b.job.wanted.reference_n == 180.0
    b.act("take back")  # it was drawn to the old one, and is held by that
    assert b.job.wanted is not None and b.job.wanted.reference_n == pytest.approx(0.97 * 22 * 9.80665)


# --- the program ends ------------------------------------------------------------------------------------------------
def test_after_a_kill_the_question_names_the_string_that_is_to_be_pulled_once_more() -> None:
    b = strung()
    b.act("again")
    second = resumed(b)
    assert "main 2 right" in second.said[-1].text
    second.act("again")
    assert second.job.wanted == b.job.wanted
    third = resumed(b)
    third.act("take back")
    assert third.job.wanted is not None and third.job.wanted.label == "taking back main 2 right"


def test_a_string_let_down_was_not_on_the_head_when_the_program_ended() -> None:
    b = strung()
    on_head(b, "taking_up", "drawing", "holding")
    assert "on the head when the program ended" in resumed(b).said[0].text
    b.record(ended="let down")
    b.head("slack")
    assert b.job.state.of[StringName("main", 2, "left")] == marks.NOT_YET
    assert "on the head" not in resumed(b).said[0].text


def test_taking_back_goes_on_with_its_cautions() -> None:
    b = strung()
    b.act("take back")
    again = resumed(b)
    assert again.said[-1].text.startswith("Taking back main 2 right. Eyes covered.") and again.job.wanted == b.job.wanted


def test_a_question_that_waits_is_asked_again_and_not_another() -> None:
    b = strung()
    b.act("broken")
    while b.job.state.phase == marks.BROKEN:
        b.tap()
    again = resumed(b)
    assert again.job.state.question == b.job.state.question and again.said[-1].text.startswith("Can it go on?")
    assert len(again.written) == len(b.written)


# --- broken, taken back ----------------------------------------------------------------------------------------------
@pytest.mark.parametrize("once_more", [False, True])
def test_a_string_that_was_on_the_head_when_another_broke_is_in_the_bed(once_more: bool) -> None:
    b = strung()
    if once_more:
        b.act("again")
    wanted = b.job.wanted
    assert wanted is not None
    on_head(b, "taking_up", "drawing", "holding")
    b.act("broken")
    on_head(b, "proving_clamp", "easing_off", "returning")
    record = b.job.state.done[-1].record | {"label": wanted.label}
    b.hear({"kind": "record", "record": record})
    b.head("slack")
    assert labels(b)[-1] == wanted.label.removesuffix(", once more") and b.job.state.phase == marks.BROKEN
    assert b.job.state.question is None and b.job.state.done[-1].again == once_more
    assert "main 2 right" in labels(b)


def test_with_no_string_in_the_bed_none_is_pulled_once_more() -> None:
    b = Bench()
    b.to_stringing()
    b.act("broken")
    while b.job.state.phase == marks.BROKEN:
        b.tap()
    question = b.job.state.question
    assert question is not None and [key for key, _ in question.answers] == ["go on", "give up"]
    assert b.act("again")[0].text == "There is no clamped string to pull once more."


def test_the_next_string_is_not_held_while_another_is_taken_back() -> None:
    b = strung()
    b.act("take back")
    on_head(b, "taking_up", "drawing", "holding")
    assert b.job.state.of[StringName("main", 2, "left")] == marks.NOT_YET


def test_an_answer_to_another_question_leaves_a_knotted_string_knotted() -> None:
    b = Bench()
    b.to_stringing()
    while not b.job.state.knot:
        b.pull()
    b.tap()
    tied = [name for name, mark in b.job.state.of.items() if mark == marks.TIED]
    again = resumed(b)
    again.tap()  # the clamp holds
    assert tied and [name for name, mark in again.job.state.of.items() if mark == marks.TIED] == tied


# --- how stiff the whole strand is -----------------------------------------------------------------------------------
def test_a_strand_far_softer_than_its_neighbours_is_not_known_by_its_own_draw() -> None:
    """Neighbours of one string and one length have one stiffness (Hooke's law)."""

    def main(k: float) -> Measured:
        return Measured("m", False, 0, "nylon", 300.0, 220.0, k, 30.0, 1.0)

    before = [main(8.0), main(8.2), main(7.9)]
    assert whole_n_mm(main(7.5), before) == 7.5 and whole_n_mm(main(11.0), before) == 11.0
    for soft in (0.5, 0.7, 0.84):
        assert whole_n_mm(main(soft * 8.0), before) == pytest.approx(8.0)
    assert whole_n_mm(main(4.0), before[:2]) == 4.0
    assert whole_n_mm(main(4.0), [replace(m, woven=True) for m in before]) == 4.0
    assert whole_n_mm(main(4.0), [replace(m, again=True) for m in before]) == 4.0


def test_the_change_of_tension_is_told_in_words() -> None:
    b = Bench(demo_plan())
    b.to_stringing()
    assert "for the crosses." in b.act("tension", kind="cross", newtons=200.0)[0].text
    assert "for the mains." in b.act("tension", kind="main", newtons=200.0)[0].text


# --- in the moment of the draw ---------------------------------------------------------------------------------------
def record_of(b: Bench, label: str, **values: object) -> dict[str, object]:
    return {**b.job.state.in_bed[-1].record, "label": label, **values}


def test_a_tension_that_comes_in_the_moment_of_the_draw_does_not_count_for_it() -> None:
    b = strung()
    wanted = b.job.wanted
    assert wanted is not None
    b.act("tension", kind="main", newtons=150.0)  # the head is drawing, and this is not known here yet
    on_head(b, "taking_up", "drawing", "holding")
    b.hear({"kind": "record", "record": record_of(b, wanted.label, reference_n=wanted.reference_n)})
    b.head("slack")
    assert b.job.state.done[-1].pull.target_n == pytest.approx(wanted.reference_n)
    b.act("take back")
    assert b.job.wanted is not None and b.job.wanted.reference_n == pytest.approx(0.97 * wanted.reference_n)


@pytest.mark.parametrize("way", ["again", "choose", "take back"])
def test_what_the_head_has_drawn_is_in_the_bed_whatever_was_asked_for_meanwhile(way: str) -> None:
    b = strung()
    wanted = b.job.wanted
    assert wanted is not None and wanted.label == "main 2 left"
    b.act(way, **({"number": b.job.state.left[2].number} if way == "choose" else {}))
    on_head(b, "taking_up", "drawing", "holding")
    b.hear({"kind": "record", "record": record_of(b, wanted.label)})
    b.head("slack")
    assert [d.pull.label for d in b.job.state.in_bed][-1] == "main 2 left" and "main 2 right" in labels(b)
    assert fold(b.plan, b.written).done == b.job.state.done
    newest = b.job.state.newest
    assert newest is not None and newest.pull.label == "main 2 left"


def test_a_string_drawn_once_more_counts_although_it_was_given_up_meanwhile() -> None:
    b = strung()
    b.act("again")
    wanted = b.job.wanted
    assert wanted is not None
    b.act("choose", number=b.job.state.left[2].number)
    on_head(b, "taking_up", "drawing", "holding")
    b.hear({"kind": "record", "record": record_of(b, wanted.label)})
    assert labels(b)[-1] == "main 2 right" and b.job.state.done[-1].again and len(labels(b)) == 3


# --- wherever it was killed ------------------------------------------------------------------------------------------
def test_a_job_goes_on_from_every_one_of_its_marks() -> None:
    b = strung(2)
    b.act("again")
    b.pull()
    b.act("take back")
    for _ in range(3):
        b.head("taking_up")
        b.record(ended="let down")
        b.head("slack")
    b.act("break")
    b.tap()
    b.act("broken")
    while b.job.state.phase == marks.BROKEN:
        b.tap()
    b.tap()
    b.string(13)
    while not b.job.over:
        b.tap()
    for n in range(len(b.written)):
        again = Bench(b.plan, b.written[:n])
        again.head("slack")
        for _ in range(60):
            if again.job.over or again.job.wanted is not None:
                break
            again.tap()
        assert again.job.over or again.job.wanted is not None, (n, b.written[:n][-2:])


def test_marks_of_an_earlier_version_end_once_more_with_another_pull() -> None:
    b = strung()
    number = b.job.state.left[2].number
    made = [*b.written, marks.Mark("again", {"number": 3}), marks.Mark("order", {"number": number})]
    state = fold(b.plan, made)
    assert state.again is None and state.newest is not None and state.newest.pull.label == "main 2 right"
    assert state.next is not None and state.next.number == number


def test_who_comes_back_from_a_break_answers_with_the_first_tap() -> None:
    b = strung()
    b.act("break")
    again = resumed(b)
    assert not again.job.state.paused
    again.tap()  # the clamp holds
    assert again.job.wanted is not None and again.job.wanted.label == "main 2 left"
    b.act("take back")
    assert b.job.wanted is not None and b.job.wanted.back and not b.job.state.paused


def test_a_question_about_a_string_does_not_replace_one_that_waits() -> None:
    b = strung(4)
    wanted = b.job.wanted
    assert wanted is not None
    on_head(b, "taking_up", "drawing", "holding")
    b.act("broken")
    for _ in range(3):
        b.act("go on")
    assert b.job.state.question is not None and b.job.state.question.key == "broken"
    b.hear({"kind": "record", "record": record_of(b, wanted.label, stiffness_n_mm=40.0)})
    assert b.job.state.question.key == "broken" and labels(b)[-1] == wanted.label


def test_while_a_string_is_on_the_head_a_tap_is_not_asked_for_by_the_list() -> None:
    b = strung()
    on_head(b, "taking_up", "drawing", "holding")
    said = b.act("broken")
    assert "hold the pedal to let it down" in said[0].text and said[1].text.endswith("Enter when done.")
    assert b.head("slack")[0].text.endswith("Tap when done.")


# --- another order ---------------------------------------------------------------------------------------------------
def test_a_pull_that_is_taken_next_knows_its_clamps_and_its_reference_is_told() -> None:
    b = strung(2)
    same = b.job.state.left[0]
    b.act("choose", number=same.number)
    assert b.job.state.left[0].frees == same.frees != "" and b.job.state.left[0].clamps == same.clamps
    said = b.act("choose", number=next(p.number for p in b.job.state.left if p.label == "cross 1"))
    assert any("New reference" in line.text for line in said)
    b.pull()
    assert any("New reference" in line.text for line in b.said[-4:])


def test_a_tension_is_refused_that_no_string_of_the_racquet_may_have() -> None:
    b = strung(6)
    if b.job.state.knot:
        b.tap()
    said = b.act("tension", kind="main", newtons=400.0)
    assert said[0].kind == "remark" and "40.79 kgf (400 N)" in said[0].text
    b.act("again")
    assert b.job.ceiling.force_n < 300.0


def test_once_more_it_is_its_own_clamp_that_is_opened() -> None:
    b = strung()
    b.act("again")
    shown = view(b.job)["on_head"]
    made = b.job.state.again
    assert shown is not None and made is not None
    assert shown["frees"] == shown["clamps"] == made.pull.clamps and shown["sets"] == ""
