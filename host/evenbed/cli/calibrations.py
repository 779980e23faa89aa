"""``evenbed calibrations``: list them, choose one, and offer it to the board, where a hand on the pedal takes it over."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from evenbed_fw import wire

from evenbed.calibration.budget import two_digits
from evenbed.calibration.document import Document, DocumentError
from evenbed.control.measure import Listening, MeasureError
from evenbed.control.port import PortError
from evenbed.link.messages import Limits, No
from evenbed.link.session import LinkError
from evenbed.record.calibrations import Calibrations
from evenbed.record.store import Store, StoreError, folder
from evenbed.units import show_force

OPEN_S = 30.0  # how long the board keeps an offer
LISTED_N = 235.0
Tell = Callable[[str], None]

REFUSED = {
    wire.WRONG_STATE: "it is armed, moving, or stopped under load. End what uses it, let down, clear, then try again",
    wire.ABOVE_LIMIT: "the limit is above the highest that this board takes. Give a lower --limit",
    wire.LOADED: "something pulls on the gripper by more than 10 N, seen from the new zero. Take everything off; if "
    "nothing is on it, the zero was wrong",
    wire.DATA_NOT_SOUND: "it does not believe its own readings now. Check the cable to the cell, and the converter's rate",
    wire.STALE: "the line came too late. Try again",
    wire.NOT_GREETED: "it has started anew. Try again",
    wire.GAIN_IMPLAUSIBLE: "the sensitivity is more than 20 % off the cell's rating. Look for a wrong weight; if the "
    "rating is wrong, calibrate with --rating",
    wire.SETTINGS_UNUSABLE: "it cannot reckon with these values: with this sensitivity the limit is beyond the converter's "
    "range. Give a lower --limit, or use less converter gain",
}


def told(doc: Document, board: Limits, rated_mcounts_n: int, limit_mn: int) -> bool:
    """Does the board store just this?"""
    s = doc.setting
    return (
        (board.zero_counts, board.gain_mcounts_n, board.limit_mn) == (s.zero_counts, s.gain_mcounts_n, limit_mn)
    ) and rated_mcounts_n == s.rated_mcounts_n


def too_high(listening: Listening, limit_n: float | None) -> str:
    """Why the board takes no such limit, or nothing."""
    if limit_n is None:
        return ""
    most_n = listening.cell().limit_most_mn / 1000.0
    if limit_n <= most_n:
        return ""
    return (
        f"The board takes no limit above {show_force(most_n)}, asked for was {show_force(limit_n)}. Give a lower --limit; "
        "the highest is set on the board alone."
    )


def offer(listening: Listening, doc: Document, limit_n: float | None, tell: Tell, pedal: Callable[[], None]) -> bool:
    """Offer a calibration to the board and wait for the hand on its pedal; did it take it over? ``pedal`` is called once
    the offer stands. ``limit_n``: the rig's limit to store, None leaves it. Raises MeasureError, LinkError."""
    limit_mn = listening.limits.limit_mn if limit_n is None else round(limit_n * 1000.0)
    s = doc.setting
    if wrong := too_high(listening, limit_n):
        tell(wrong)
        return False
    answer = listening.ask("propose", s.zero_counts, s.gain_mcounts_n, s.rated_mcounts_n, limit_mn)
    if isinstance(answer, No):
        tell(f"The board refuses it: {REFUSED.get(answer.reason, answer.says)}.")
        return False
    tell(
        f"Offered to the board: zero {s.zero_counts} counts, {s.gain_mcounts_n / 1000.0:.3f} counts/N, limit "
        f"{show_force(limit_mn / 1000.0)}."
    )
    tell(f"Hold the pedal on the rig for two seconds to store this, within {OPEN_S:.0f} s, with nothing on the gripper.")
    pedal()
    until = time.monotonic() + OPEN_S + 1.0
    while time.monotonic() < until:
        now = listening.refresh()
        if now is not None and told(doc, now, listening.cell().rated_mcounts_n, limit_mn):
            tell(_echo(listening, now))
            return True
    tell("Nobody has held the pedal for two seconds, or the board was disturbed: it keeps what it had.")
    return False


def _echo(listening: Listening, now: Limits) -> str:
    counts: list[int] = []
    until = time.monotonic() + 3.0
    while len(counts) < 40 and time.monotonic() < until:
        counts += [reading.counts for reading in listening.readings(0.05)]
    limit = show_force(now.limit_n)
    said = f"Stored. The board says: {now.counts_per_n:.3f} counts/N, limit {limit}, zero {now.zero_counts} counts"
    if not counts:
        return said + "."
    empty_n = (sum(counts) / len(counts) - now.zero_counts) / now.counts_per_n
    return f"{said}; the empty gripper reads {empty_n:+.3f} N."


# --- the command ---------------------------------------------------------------------------------------------------
def table(records: Path | None, unit: str) -> int:
    """List all calibrations; returns the exit code."""

    def show(calibrations: Calibrations) -> int:
        every = calibrations.all()
        if not every:
            print("No calibration is kept here yet: 'evenbed calibrate' makes one.")
            return 0
        used = calibrations.in_use()
        print(f"{'no.':>4}  {'date':<16}  {'counts/N':>10}  {'U at 235 N':>10}  {'weights up to':>13}  by")
        for kept in every:
            doc = kept.document
            beyond = doc.extrapolation(LISTED_N)
            u = "beyond" if beyond == "refuse" else f"{two_digits(doc.uncertainty(LISTED_N).expanded_n)} N"
            mark = "  <- in use" if used is not None and used.number == kept.number else ""
            made = f"{datetime.fromisoformat(doc.made):%Y-%m-%d %H:%M}"
            print(
                f"{kept.number:>4}  {made}  {doc.gain_counts_n:>10.2f}  {u:>10}  "
                f"{show_force(doc.calibration.top_n, unit):>13}  {doc.by}{f' ({doc.remark})' if doc.remark else ''}{mark}"
            )
        return 0

    return _with_store(records, show)


def use(number: int, port: str, limit_n: float | None, records: Path | None) -> int:
    """Offer calibration ``number`` to the board on ``port``, and use it from then on; returns the exit code."""

    def choose(calibrations: Calibrations) -> int:
        kept = calibrations.get(number)
        if kept is None:
            print(f"There is no calibration {number}: 'evenbed calibrations' lists them.", file=sys.stderr)
            return 2
        listening = Listening(port)
        try:
            if not offer(listening, kept.document, limit_n, lambda text: print(text, flush=True), lambda: None):
                return 1
        finally:
            listening.close()
        calibrations.use(number, "chosen by hand, stored on the board")
        print(f"Calibration {number} is in use.")
        return 0

    return _with_store(records, choose)


def _with_store(records: Path | None, do: Callable[[Calibrations], int]) -> int:
    try:
        store = Store(folder(records))
    except StoreError as e:
        print(str(e), file=sys.stderr)
        return 1
    try:
        return do(Calibrations(store))
    except (StoreError, DocumentError, PortError, MeasureError, LinkError) as e:
        print(str(e), file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130
    finally:
        store.close()
