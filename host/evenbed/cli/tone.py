"""``evenbed tone``: the tone of a bed, typed or heard in a recording, against what is to be expected."""

from __future__ import annotations

import sys
import wave
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from evenbed.cli.jobs import with_jobs
from evenbed.job import marks as kinds
from evenbed.job.marks import Mark
from evenbed.job.tone import BED_HZ, WHEN_S, bed_tension
from evenbed.job.tone_heard import Heard, Samples, ToneError, hear
from evenbed.record.jobs import Jobs
from evenbed.report import words
from evenbed.report.kept import Kept, age_s, expect, load, named_when, tones, verdict
from evenbed.work.jobs import JobError

TYPED_HZ = (100.0, 2500.0)
U_TYPED_HZ = 2.0  # of a tone that somebody read off something; estimated, no source
AROUND = (0.7, 1.4)  # of the tone that is expected: where a recording is searched
LONGEST_S = 60.0


def run(
    number: int,
    hz: float | None,
    wav: Path | None,
    when: str | None,
    between: tuple[float, float] | None,
    room_c: float | None,
    records: Path | None,
    unit: str | None,
) -> int:
    """Write a tone into a job and say what it means; without one, say what is to be expected. Returns the exit code."""
    if hz is not None and wav is not None:
        print("evenbed tone: a tone is typed or heard in a recording, not both.", file=sys.stderr)
        return 2
    if hz is not None and not TYPED_HZ[0] <= hz <= TYPED_HZ[1]:
        print(f"evenbed tone: no bed sounds at {hz:g} Hz ({TYPED_HZ[0]:.0f} to {TYPED_HZ[1]:.0f} Hz).", file=sys.stderr)
        return 2
    if between is not None and not 0.0 < between[0] < between[1]:
        print("evenbed tone: --between needs a lower and a higher tone, Hz.", file=sys.stderr)
        return 2
    return with_jobs("tone", records, lambda jobs: _tone(jobs, number, hz, wav, when, between, room_c, unit))


def _tone(
    jobs: Jobs,
    number: int,
    hz: float | None,
    wav: Path | None,
    when: str | None,
    between: tuple[float, float] | None,
    room_c: float | None,
    unit: str | None,
) -> int:
    kept = load(jobs, number)
    if kept.state.phase != kinds.FINISHED:
        raise JobError(f"Job {number} is {kept.progress}: only a finished bed has a tone. Its closing list comes first.")
    unit = unit or kept.state.plan.racquet.unit
    age = age_s(kept, when or "", datetime.now(UTC))
    if age is None:
        raise JobError(f"Nobody knows when job {number} was strung: say --when 'after the job'.")
    if hz is None and wav is None:
        _expected(kept)
        return 0
    if hz is None and wav is not None:
        heard = _heard(wav, between or _band(kept, age))
        print(f"{wav}: {heard.hz:.1f} Hz ± {heard.u_hz:.1f}, {heard.sure} ({heard.why}).")
        if heard.sure == "not sure":
            print("Not written down: record some taps again, or type the tone.")
            return 1
        hz, u_hz, how = heard.hz, heard.u_hz, f"recording, {heard.sure}"
    else:
        assert hz is not None
        u_hz, how = U_TYPED_HZ, "typed"
    values = {
        "hz": round(hz, 2),
        "u_hz": round(u_hz, 2),
        "when": when or named_when(age),
        "how": how,
        "temp": room_c,
        "age_s": round(age, 1),
    }
    jobs.mark(number, len(kept.marks) + 1, Mark("tone", values))
    _say(load(jobs, number), unit)
    return 0


def _band(kept: Kept, age: float) -> tuple[float, float]:
    """Where a recording is searched: a tennis bed's band, or around the tone that is expected if that is elsewhere."""
    found = expect(kept, age, tones(kept))
    if found is None or BED_HZ[0] / AROUND[0] <= found[0] <= BED_HZ[1] / AROUND[1]:
        return BED_HZ
    return AROUND[0] * found[0], AROUND[1] * found[0]


def _say(kept: Kept, unit: str) -> None:
    taken = tones(kept)
    t = taken[-1]
    print(f"Job {kept.row.number}, {kept.state.plan.racquet.name}: {t.hz:.0f} Hz {t.when}.")
    if t.expected_hz is not None:
        print(f"  Expected from {t.basis}: {t.expected_hz:.0f} Hz ± {t.u_expected_hz:.0f}; {verdict(t)}.")
    else:
        print("  Nothing to compare with: the diameter or family of the string is not known.")
    if len(taken) > 1:
        first = taken[0]
        print(f"  It has fallen by {first.hz - t.hz + 0.0:.0f} Hz since it was {first.hz:.0f} Hz {first.when}", end="")
        print("." if t.expected_hz is None else f"; a fall by {first.hz - t.expected_hz + 0.0:.0f} Hz was predicted.")
    racquet = kept.state.plan.racquet
    found = bed_tension(racquet, t.hz, t.u_hz, {n: e.mean_n for n, e in kept.left.items()}) if kept.left else None
    if found is not None:
        print(f"  As a membrane that is a mean tension of {words.within(found.mean_n, found.u_n, unit)}.")
    _expected(kept, t.age_s)


def _expected(kept: Kept, after_s: float = 0.0) -> None:
    """What tones are still to come."""
    taken = tones(kept)
    later = [(name, s) for name, s in WHEN_S.items() if s > 1.2 * after_s or not taken]
    found = [(name, expect(kept, s, taken)) for name, s in later]
    said = [f"{name} {e[0]:.0f} Hz ± {e[1]:.0f}" for name, e in found if e is not None]
    if said:
        print(f"  To be expected: {', '.join(said)}.")
    elif not taken:
        print("Nothing can be expected: the diameter or family of the string is not known. A first tone is a beginning.")


# --- a recording ---------------------------------------------------------------------------------------------------
def _heard(file: Path, band: tuple[float, float]) -> Heard:
    samples, rate_hz = read_wav(file)
    try:
        return hear(samples, rate_hz, band)
    except ToneError as e:
        raise JobError(f"{file}: {e}") from None


def read_wav(file: Path) -> tuple[Samples, float]:
    """Samples (all channels together, full scale is 1) and their rate. Raises JobError for what is no plain WAV file."""
    try:
        with wave.open(str(file), "rb") as w:
            rate, width, channels = float(w.getframerate()), w.getsampwidth(), w.getnchannels()
            raw = w.readframes(min(w.getnframes(), int(LONGEST_S * rate)))
    except FileNotFoundError:
        raise JobError(f"{file}: there is no such file.") from None
    except (wave.Error, EOFError) as e:
        raise JobError(f"{file} is no plain WAV recording ({e}). Save it as PCM, 16 bits.") from None
    if width == 1:
        whole = np.frombuffer(raw, np.uint8).astype(np.float64) - 128.0
    elif width == 3:
        parts = np.frombuffer(raw[: len(raw) // 3 * 3], np.uint8).reshape(-1, 3).astype(np.int32)
        whole = ((parts[:, 0] | parts[:, 1] << 8 | parts[:, 2] << 16) ^ 0x800000).astype(np.float64) - 0x800000
    else:
        whole = np.frombuffer(raw[: len(raw) // width * width], "<i2" if width == 2 else "<i4").astype(np.float64)
    frames = len(whole) // channels
    mixed = whole[: frames * channels].reshape(frames, channels).mean(axis=1) / float(1 << (8 * width - 1))
    return np.asarray(mixed, dtype=np.float64), rate
