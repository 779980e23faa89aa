"""``evenbed job``: what is typed, what is shown, and a job that is killed and goes on."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from evenbed.cli.jobwords import typed
from evenbed.cli.sounds import BELLS, CUES, tone
from evenbed.racquet.model import StringName
from evenbed.record.jobs import Jobs
from evenbed.record.store import Store, StoreError
from hypothesis import given
from hypothesis import strategies as st


@pytest.mark.parametrize(
    ("text", "action", "values"),
    [
        ("", "go on", {}),
        ("no", "not fine", {}),
        ("AGAIN", "again", {}),
        ("ag", "again", {}),
        ("back", "take back", {}),
        ("str", "string on", {}),
        ("take 12", "choose", {"number": 12}),
        ("note  scratched at the throat ", "note", {"text": "scratched at the throat"}),
        ("give up", "give up", {}),
        ("tension crosses 50lbf", "tension", {"kind": "cross", "newtons": pytest.approx(222.411080763)}),
        (
            "tension main 3 left 23kgf",
            "tension",
            {"kind": "main", "newtons": pytest.approx(225.55295), "name": StringName("main", 3, "left")},
        ),
    ],
)
def test_words_and_their_beginnings(text: str, action: str, values: dict[str, object]) -> None:
    # 50 lbf = 222.411 080 763 025 N, 1 kgf = 9.806 65 N exactly: NIST SP 811.
    t = typed(text)
    assert (t.trouble, t.action, t.values) == ("", action, values)


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("b", "break"),
        ("xyz", "help"),
        ("take it", "by its number"),
        ("note", "write down"),
        ("tension main 23", "no unit"),
        ("tension main 3 23kgf", "has a side"),
        ("tension cross 3 left 23kgf", "has none"),
        ("tension everything", "like this"),
    ],
)
def test_what_is_not_clear_says_how_it_is_meant(text: str, part: str) -> None:
    t = typed(text)
    assert t.action == "" and part in t.trouble


def test_a_figure_is_one_only_in_a_list() -> None:
    assert typed("330 x 248", listed=True).values == {"text": "330 x 248"}
    assert typed("330 x 248").trouble


@given(st.text(max_size=40), st.booleans())
def test_anything_may_be_typed(text: str, listed: bool) -> None:
    t = typed(text, listed)
    assert bool(t.action) != bool(t.trouble)


def test_cues_are_unlike_each_other() -> None:
    # Steady short and soft, question and trip unlike it.
    length = {cue: sum(for_s for _, for_s, _ in parts) for cue, parts in CUES.items()}
    loud = {cue: max(loud for _, _, loud in parts) for cue, parts in CUES.items()}
    assert set(CUES) == set(BELLS)
    assert length["steady"] == min(length.values()) < 0.15 and loud["steady"] == min(loud.values())
    assert loud["trip"] == max(loud.values()) and length["trip"] == max(length.values())
    assert len({tone(cue) for cue in CUES}) == len(CUES)


def test_two_programs_cannot_go_on_with_one_job(tmp_path: Path) -> None:
    from evenbed.job.marks import Mark

    store = Store(tmp_path)
    kept = Jobs(store)
    n = kept.begin("a racquet", "", {}, [], True)
    kept.mark(n, 1, Mark("note", {"text": "a"}))
    with pytest.raises(StoreError, match="goes on in another program"):
        kept.mark(n, 1, Mark("note", {"text": "b"}))
    assert [m.values["text"] for m in kept.marks(n)] == ["a"]
    store.close()


def evenbed(folder: Path, *words: str) -> subprocess.Popen[str]:
    """The command, its records in ``folder``, nobody at the keyboard."""
    return subprocess.Popen(
        [sys.executable, "-u", "-m", "evenbed.cli.main", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        stdin=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "EVENBED_RECORDS": str(folder)},
    )


def test_a_job_that_is_killed_goes_on_at_the_right_pull(tmp_path: Path) -> None:
    job = evenbed(tmp_path, "job", "start", "demo-six-by-seven", "--sim", "--no-wait", "--quiet")
    assert job.stdout is not None
    for line in job.stdout:
        if "main 3 right" in line and "at the clamp" in line:
            job.send_signal(signal.SIGKILL)
            break
    job.wait(10.0)
    job.stdout.close()
    store = Store(tmp_path)
    before = [m.values["label"] for m in Jobs(store).marks(1) if m.kind == "pulled"]
    sides = ("left", "right", "right", "left", "left", "right")
    assert before[:6] == [f"main {1 + i // 2} {side}" for i, side in enumerate(sides)]
    done = evenbed(tmp_path, "job", "resume", "--sim", "--no-wait", "--quiet")
    said, _ = done.communicate(timeout=120.0)
    assert done.returncode == 0, said
    assert "Does the last clamp still hold?" in said
    labels = [m.values["label"] for m in Jobs(store).marks(1) if m.kind == "pulled"]
    assert labels[: len(before)] == before
    assert sorted(labels) == sorted(
        [f"main {n} {side}" for n in (1, 2, 3) for side in ("left", "right")] + [f"cross {n}" for n in range(1, 8)]
    )
    again = evenbed(tmp_path, "job", "resume", "1", "--sim")
    said, _ = again.communicate(timeout=30.0)
    assert again.returncode == 2 and "finished" in said
    store.close()
