"""``evenbed racquet``: asking, checking, the examples."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from evenbed.cli.racquet import new, show, show_examples
from evenbed.racquet.ask import QUESTIONS, AnswerError, file_text
from evenbed.racquet.file import examples, parse, read
from evenbed.racquet.rules import check
from evenbed.racquet.sports import SPORTS
from hypothesis import given, settings
from hypothesis import strategies as st


def answering(*lines: str | BaseException) -> Callable[[str], str]:
    """Somebody who types these lines, and after them nothing but Enter."""
    left = list(lines)

    def ask(prompt: str) -> str:
        assert prompt.endswith("] ")
        line = left.pop(0) if left else ""
        if isinstance(line, BaseException):
            raise line
        return line

    return ask


@pytest.mark.parametrize("sport", sorted(SPORTS))
def test_enter_alone_makes_a_file_without_errors(sport: str, tmp_path: Path) -> None:
    assert new(str(tmp_path / "mine"), answering("", sport)) == 0
    racquet = read(tmp_path / "mine.racquet.toml")
    assert racquet.sport == sport and check(racquet).errors == check(racquet).questions == ()
    assert len(QUESTIONS) <= 16  # two minutes at most: some seven seconds each


def test_what_was_typed_is_in_the_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "owl.racquet.toml"
    lines = ['A "barn" owl', "b", "kgf", "22 x 20", "250x190,5", "10", "head 8, throat 8", "2", "poly", "0,66"]
    lines += ["bad", "0.70", "8-13", "11,5 kgf", "12", "louder"]
    assert new(str(path), answering(*lines)) == 0
    racquet = read(path)
    assert (racquet.name, racquet.sport, racquet.mains, racquet.crosses) == ('A "barn" owl', "badminton", 22, 20)
    assert (racquet.head_length_mm, racquet.head_width_mm, racquet.start) == (250.0, 190.5, "throat")
    assert racquet.main_holes["head"][6:9] == (7, 9, 10)
    assert [(p.family, p.diameter_mm) for p in racquet.pieces] == [("polyester", 0.66), ("badminton nylon", 0.70)]
    kgf = 9.80665  # NIST SP 811
    forces = (racquet.least_n, racquet.main_n, racquet.cross_n, racquet.most_n)
    assert forces == pytest.approx((8 * kgf, 11.5 * kgf, 12 * kgf, 13 * kgf))
    assert racquet.player == {"wish": "louder"}
    assert "QUESTION" in capsys.readouterr().out  # polyester is unusual in badminton


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (["", "cricket"], "'cricket' is none of tennis"),
        (["", "rac"], "could be racketball or racquetball"),
        (["", "", "kg."], "none of N, kgf, lbf"),
        (["", "", "", "17x18"], "17 mains are odd"),
        (["", "", "", "16/18"], "write it like 16x18"),
        (["", "", "", "", "33.5x25.2"], "A length of 33.5 mm is outside 100 to 420 mm"),
        (["", "", "", "", "", "7"], "even number of mains"),
        (["", "", "", "", "", "", "7H"], "write it like 'head 7'"),
        (["", "", "", "", "", "", "head 12"], "beyond the last main, in hole 8"),
        (["", "", "", "", "", "", "", "3"], "none of 1, 2"),
        (["", "", "", "", "", "", "", "", "", "130"], "130 mm is outside 0.4 to 2.0 mm"),
        (["", "", "", "", "", "", "", "", "", "", "27-20"], "27 is not less than 20"),
        (["", "", "", "", "", "", "", "", "", "", "", "52"], "52 kgf (510 N) is more than anybody"),
        (["", "", "", "", "", "", "", "", "", "", "", "52"], "52 lbf would be 231 N"),
        (["", "", "", "", "", "", "", "", "", "", "", "52 lbf"], "'52 lbf' is not in kgf"),
        (["", "", "", "", "", "", "", "", "", "", "20-25", "26"], "more than the maker allows, 20-25 kgf"),
        (["", "", "", "", "", "", "", "", "", "", "", "2"], "2 kgf (20 N) is less than 3.06 kgf"),
    ],
)
def test_a_wrong_answer_is_asked_again_with_the_reason(
    lines: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert new(str(tmp_path / "mine"), answering(*lines)) == 0
    assert said in capsys.readouterr().out


@pytest.mark.parametrize(("leaving", "code"), [(KeyboardInterrupt(), 130), (EOFError(), 2)])
@pytest.mark.parametrize("after", [0, 7, len(QUESTIONS) - 3])
def test_leaving_writes_nothing(leaving: BaseException, code: int, after: int, tmp_path: Path) -> None:
    assert new(str(tmp_path / "mine"), answering(*[""] * after, leaving)) == code
    assert list(tmp_path.iterdir()) == []


def test_nonsense_for_ever_ends(tmp_path: Path) -> None:
    assert new(str(tmp_path / "mine"), answering("", *["nonsense"] * 1000)) == 2
    assert list(tmp_path.iterdir()) == []


def test_no_file_is_written_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "mine.racquet.toml").write_text("mine")
    assert new(str(tmp_path / "mine")) == 2 and "there already" in capsys.readouterr().err
    assert (tmp_path / "mine.racquet.toml").read_text() == "mine"


ANSWERS = st.one_of(
    st.text(max_size=12),
    st.from_regex(r"[0-9]{1,3}([.,][0-9])?([x-][0-9]{1,3})?", fullmatch=True),
    st.sampled_from(
        ["N", "lbf", "kgf", "2", "head", "throat", "6", "gut", "head 7", "throat 6, head 7", "unknown", "none"]
    ),
    st.sampled_from([*SPORTS, "18x20", "22x22", "12x12", "300x200", "20-30", "90-130", "nan", "inf", "-5", "1e3"]),
    st.just(""),
)


@given(st.lists(ANSWERS, min_size=len(QUESTIONS), max_size=len(QUESTIONS)))
@settings(max_examples=150, deadline=None)
def test_every_answer_is_refused_with_a_reason_or_comes_back_from_the_file(lines: list[str]) -> None:
    answers: dict[str, str] = {}
    for question, line in zip(QUESTIONS, lines, strict=True):
        if not question.wanted(answers):
            continue
        usual = question.usual(answers)
        try:
            answers[question.key] = question.check(answers, line.strip() or usual)
        except AnswerError as e:
            assert str(e)
            answers[question.key] = question.check(answers, usual)  # what Enter takes is always taken
    racquet = parse(file_text(answers))
    assert racquet.name == answers["name"] and racquet.unit == answers["unit"]
    assert f"{racquet.mains}x{racquet.crosses}" == answers["pattern"]
    assert check(racquet) is not None


# --- check, examples ---------------------------------------------------------------------------------------------
@pytest.mark.parametrize("name", sorted(examples()))
def test_check_shows_every_string(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert show(name) == 0
    out, racquet = capsys.readouterr().out, read(examples()[name])
    for i in range(racquet.per_side):
        assert f"  main {i + 1} " in out
    for i in range(racquet.crosses):
        assert f"  cross {i + 1} " in out
    assert "Nothing to correct, nothing to ask." in out and racquet.name in out


def test_check_ends_with_2_where_something_is_to_be_corrected(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "long.racquet.toml"
    text = examples()["tennis-one-piece-16x18"].read_text(encoding="utf-8")
    path.write_text(text.replace("length_mm = 686", "length_mm = 740"), encoding="utf-8")
    assert show(str(path)) == 2 and "CORRECT   The frame's length, 740 mm" in capsys.readouterr().out
    path.write_text(text.replace('"nylon"', '"nilon"'), encoding="utf-8")
    assert show(str(path)) == 2 and "did you mean 'nylon'?" in capsys.readouterr().err
    assert show(str(tmp_path / "none")) == 2 and "there is no such file" in capsys.readouterr().err


def test_examples_are_listed_and_copied_but_not_over_others(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert show_examples(None) == 0
    listed = capsys.readouterr().out
    assert all(name in listed for name in examples())
    folder = tmp_path / "a" / "b"
    assert show_examples(folder) == 0
    for name, path in examples().items():
        assert read(folder / f"{name}.racquet.toml") == read(path)
    assert show_examples(folder) == 2 and "there already" in capsys.readouterr().err
