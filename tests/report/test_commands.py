"""``evenbed jobs``, ``evenbed report``, ``evenbed tone`` on records, as a user would call them."""

from __future__ import annotations

import csv
import io
import json
import shutil
import wave
from pathlib import Path

import numpy as np
import pytest
from evenbed.cli import jobs, report, tone
from evenbed.job.tone import BED_HZ, expected_hz
from evenbed.record.jobs import Jobs
from evenbed.record.store import Store
from evenbed.report import compare, export
from evenbed.report.kept import expect, load, named_when
from report_jobs import Made, whole
from scipy.special import jn_zeros
from test_page import read

RATE = 22050


@pytest.fixture(scope="module")
def three_jobs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("jobs") / "kept"
    whole().store(where)
    Made(seed=3, odd={12: {"clamped_s": 25.0, "done_s": 26.0}}).lists().string().lists().store(where)
    Made("badminton-22x21").lists().string(5).store(where)
    return where


@pytest.fixture
def records(three_jobs: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(three_jobs, tmp_path / "kept"))


def marks_of(records: Path, number: int) -> list[str]:
    store = Store(records)
    try:
        return [m.kind for m in Jobs(store).marks(number)]
    finally:
        store.close()


# --- jobs --------------------------------------------------------------------------------------------------------------
def test_list(records: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert jobs.run(None, None, None, None, records, None) == 0
    lines = capsys.readouterr().out.splitlines()
    assert "Gooseberry" in lines[1] and "finished" in lines[1] and "38 of 38" in lines[1]
    assert "Thimble" in lines[3] and "stringing" in lines[3] and "5 of 43" in lines[3]


def test_no_records_yet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert jobs.run(None, None, None, None, tmp_path / "none", None) == 1
    assert "evenbed job start" in capsys.readouterr().err
    Store(tmp_path / "empty").close()
    assert jobs.run(None, None, None, None, tmp_path / "empty", None) == 0
    assert report.run(None, None, tmp_path / "empty", None) == 1
    assert "none is kept" in capsys.readouterr().err


def test_one_job(records: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert jobs.run(1, None, None, None, records, "N") == 0
    said = capsys.readouterr().out
    assert "Gooseberry, finished, 38 pulls" in said and "main 5 left" in said and "tone 560 Hz after the job" in said
    assert said.count(" holds") == 37 and said.count(" slips") == 1 and "220.6 N" in said
    assert jobs.run(7, None, None, None, records, None) == 1
    assert "There are 1, 2, 3" in capsys.readouterr().err


def test_compare(records: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert jobs.run(None, (1, 2), None, None, records, None) == 0
    said = capsys.readouterr().out
    assert sum(line.startswith(("main", "cross")) for line in said.splitlines()) == 38
    line = said.strip().splitlines()[-1]
    assert line.startswith("Twin: 35 of 38 pulls as the first") and "main 5 left" in line
    assert jobs.run(None, (1, 3), None, None, records, None) == 2
    assert "22 mains and 21 crosses" in capsys.readouterr().err


def test_side_by_side_on_a_page(records: Path) -> None:
    store = Store(records)
    try:
        kept = [load(Jobs(store), n) for n in (1, 2, 3)]
    finally:
        store.close()
    html = compare.page(kept[0], kept[1], "kgf", "/styles.css")
    tree = read(html)  # well formed
    assert "<style" not in html and ("link", "href", "/styles.css") in tree.attributes
    assert not any(k == "style" or k.startswith("on") for _, k, _ in tree.attributes)  # nothing inline
    assert html.count("<svg") == 2 and html.count("<tr>") == 39
    assert "35 of 38 pulls as the first" in html and "main 5 left" in html and "longer" in html
    with pytest.raises(compare.CompareError, match="22 mains and 21 crosses"):
        compare.page(kept[0], kept[2], "kgf")


def test_exports(records: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert jobs.run(1, None, tmp_path / "a.csv", tmp_path / "a.json", records, None) == 0
    assert len(list(csv.reader((tmp_path / "a.csv").open(encoding="utf-8", newline="")))) == 39
    store = Store(records)
    try:
        kept = Jobs(store)
        assert export.from_json((tmp_path / "a.json").read_text("utf-8")) == (kept.row(1), kept.marks(1))
    finally:
        store.close()
    capsys.readouterr()
    assert jobs.run(1, None, Path("-"), None, records, None) == 0
    assert len(list(csv.reader(io.StringIO(capsys.readouterr().out)))) == 39  # and nothing else
    assert jobs.run(1, None, None, Path("-"), records, None) == 0
    assert json.loads(capsys.readouterr().out)["job"]["number"] == 1


def test_asked_wrongly(records: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert jobs.run(1, (1, 2), None, None, records, None) == 2
    assert jobs.run(None, None, tmp_path / "a.csv", None, records, None) == 2
    assert jobs.run(1, None, tmp_path / "no" / "folder.csv", None, records, None) == 1
    assert "folder.csv" in capsys.readouterr().err


def test_a_job_of_another_program_is_still_exported(
    records: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made = Made("demo-six-by-seven").lists().string(3)
    store = Store(records)
    try:
        row = made.row()
        number = Jobs(store).begin(row.name, row.racquet, row.equipment, ("another", "plan"), False)
        for n, m in enumerate(made.marks, 1):
            Jobs(store).mark(number, n, m)
    finally:
        store.close()
    assert jobs.run(None, None, None, None, records, None) == 0
    assert jobs.run(number, None, None, None, records, None) == 1
    assert "planned other pulls" in capsys.readouterr().err
    assert jobs.run(number, None, None, tmp_path / "b.json", records, None) == 0
    _, marks = export.from_json((tmp_path / "b.json").read_text("utf-8"))
    assert [m.kind for m in marks] == [m.kind for m in made.marks]


# --- report --------------------------------------------------------------------------------------------------------------
def test_report_goes_into_a_file(
    records: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert report.run(1, None, records, None) == 0
    assert "job-1.html" in capsys.readouterr().out and "Gooseberry" in Path("job-1.html").read_text("utf-8")
    assert report.run(None, Path("last.html"), records, "lbf") == 0
    assert "Thimble" in Path("last.html").read_text("utf-8")
    assert report.run(1, Path("no/where.html"), records, None) == 1


def test_report_of_a_twin_says_how_like_it_is(records: Path, tmp_path: Path) -> None:
    store = Store(records)
    first = Jobs(store).row(1)
    assert first is not None
    number = Jobs(store).begin(first.name, first.racquet, first.equipment, first.labels, False, twin_of=1)
    for n, m in enumerate(Jobs(store).marks(2), 1):
        Jobs(store).mark(number, n, m)
    store.close()
    assert report.run(number, tmp_path / "twin.html", records, None) == 0
    html = (tmp_path / "twin.html").read_text("utf-8")
    assert "twin of job 1" in html and "Twin: 35 of 38 pulls as the first" in html


# --- tone ----------------------------------------------------------------------------------------------------------------
def record_wav(file: Path, hz: float, width: int = 2, channels: int = 1, noise: float = 0.001, seed: int = 0) -> None:
    """Four taps on a membrane of this tone and its first overtone, as PCM."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(3.6 * RATE)) / RATE
    sound = noise * rng.standard_normal(len(t))
    for n in range(4):
        since = np.maximum(t - 0.4 - 0.8 * n, 0.0)
        on = t >= 0.4 + 0.8 * n
        for ratio, share in ((1.0, 0.5), (jn_zeros(1, 1)[0] / jn_zeros(0, 1)[0], 0.2)):
            sound += np.where(on, share * np.sin(2 * np.pi * ratio * hz * since) * np.exp(-since / 0.12), 0.0)
    full = (1 << (8 * width - 1)) - 1
    whole_numbers = np.round(np.clip(sound, -1.0, 1.0) * full).astype(np.int64)
    whole_numbers = np.repeat(whole_numbers[:, None], channels, axis=1).reshape(-1)
    if width == 1:
        raw = (whole_numbers + 128).astype(np.uint8).tobytes()
    else:
        raw = whole_numbers.astype("<i8").view(np.uint8).reshape(-1, 8)[:, :width].tobytes()
    with wave.open(str(file), "wb") as w:
        w.setnchannels(channels)
        w.setsampwidth(width)
        w.setframerate(RATE)
        w.writeframes(raw)


@pytest.mark.parametrize(("width", "channels"), [(1, 1), (2, 1), (2, 2), (3, 1), (4, 2)])
def test_every_plain_wav_is_read(tmp_path: Path, width: int, channels: int) -> None:
    file = tmp_path / "a.wav"
    record_wav(file, 555.0, width, channels)
    samples, rate = tone.read_wav(file)
    assert rate == RATE and len(samples) == int(3.6 * RATE)
    assert 0.4 < np.max(np.abs(samples)) < 1.0
    with wave.open(str(file)) as w:  # the library's own frames, first channel, against ours
        frame = w.readframes(20000)[-width * channels :][:width]
    value = frame[0] - 128 if width == 1 else int.from_bytes(frame, "little", signed=True)
    assert samples[19999] == pytest.approx(value / (1 << (8 * width - 1)), abs=1e-12)


def test_tone_typed_and_predicted(records: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store = Store(records)
    kept = load(Jobs(store), 2)
    store.close()
    bed = expected_hz(kept.state.plan.racquet, kept.left)
    assert bed is not None
    assert tone.run(2, None, None, None, None, None, records, None) == 0
    said = capsys.readouterr().out
    assert f"after the job {bed[0]:.0f} Hz" in said and "after a week" in said
    before = marks_of(records, 2)
    assert tone.run(2, bed[0], None, "after the job", None, 21.5, records, None) == 0
    said = capsys.readouterr().out
    assert "as expected" in said and "mean tension" in said and marks_of(records, 2) == [*before, "tone"]
    # Predicted: what a string relaxes in the time, as sqrt(T). Nothing has fallen: that is found out.
    assert tone.run(2, bed[0], None, "after a week", None, None, records, None) == 0
    said = capsys.readouterr().out
    assert "higher than expected" in said and "It has fallen by 0 Hz" in said and "was predicted" in said


def test_what_is_predicted_falls_on(records: Path) -> None:
    store = Store(records)
    kept = load(Jobs(store), 1)
    store.close()
    hz = [expect(kept, age, ()) for age in (900.0, 86400.0, 7 * 86400.0, 30 * 86400.0)]
    values = [v[0] for v in hz if v is not None]
    assert len(values) == 4 and values == sorted(values, reverse=True)


def test_tone_out_of_a_recording(records: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "taps.wav"
    record_wav(file, 552.0)
    assert tone.run(2, None, file, "after the job", None, None, records, None) == 0
    said = capsys.readouterr().out
    assert "sure" in said and "552" in said
    store = Store(records)
    mark = Jobs(store).marks(2)[-1]
    store.close()
    assert mark.kind == "tone" and mark.values["hz"] == pytest.approx(552.0, abs=1.0)
    assert mark.values["how"].startswith("recording") and mark.values["when"] == "after the job"


def test_a_badminton_bed_is_searched_where_it_sounds(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = Made("badminton-22x21").lists().string().lists()
    found = expected_hz(made.plan.racquet, made.kept().left)
    assert found is not None and found[0] > BED_HZ[1]
    number = made.store(tmp_path / "kept")
    file = tmp_path / "taps.wav"
    record_wav(file, 1.04 * found[0])
    assert tone.run(number, None, file, "after the job", None, None, tmp_path / "kept", None) == 0
    assert f"{1.04 * found[0]:.0f}" in capsys.readouterr().out


def test_tones_that_are_none(records: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = marks_of(records, 2)
    noise = tmp_path / "noise.wav"
    record_wav(noise, 552.0, noise=0.5)
    assert tone.run(2, None, noise, None, None, None, records, None) == 1
    (tmp_path / "text.wav").write_text("no sound")
    assert tone.run(2, None, tmp_path / "text.wav", None, None, None, records, None) == 1
    assert tone.run(2, None, tmp_path / "missing.wav", None, None, None, records, None) == 1
    assert tone.run(2, 5.0, None, None, None, None, records, None) == 2
    assert tone.run(2, 500.0, noise, None, None, None, records, None) == 2
    assert tone.run(2, None, noise, None, (800.0, 300.0), None, records, None) == 2
    assert tone.run(3, 1000.0, None, None, None, None, records, None) == 1
    assert "only a finished bed has a tone" in capsys.readouterr().err
    assert marks_of(records, 2) == before


@pytest.mark.parametrize(
    ("hours", "says"),
    [(0.5, "after the job"), (8, "after 8 hours"), (25, "after a day"), (72, "after 3 days"), (170, "after a week")],
)
def test_when_it_was_taken(hours: float, says: str) -> None:
    assert named_when(3600.0 * hours) == says
