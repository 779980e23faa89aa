"""Records the example session of hardware/protocol.md on the simulated rig and prints it.

``python -m tests.wire.record_example`` prints the block, with ``--write`` it replaces the one in the document. The
host is this script: it knows the wire from the second decoder only, and no more of the board than the lines say.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from evenbed_sim.presets import NYLON, main
from evenbed_sim.rig import Rig
from evenbed_sim.strand import Strand

from .second_decoder import SEQ_VALUES, Sender, Taken, decode, encode

DOCUMENT = Path(__file__).resolve().parents[2] / "hardware" / "protocol.md"
FENCE = "```wire\n"

DRAW, HOLD, EASE = 0, 1, 2
REFERENCE_N = 100.0
CEILING_MN = 120_000
EXPIRY_MS = 100
HOST_US = 300.0  # from a line's arrival to the answer's leaving
# Fields that are worth a line when they change; the flags that are: enabled, contact, homed, greeted, and the pedal.
_TOLD = ("state", "fault", "presses")
_TOLD_FLAGS = 1 | 32 | 512 | 1024


@dataclass(frozen=True)
class Entry:
    """One line of the session or a remark (``way`` is ``>``, ``<`` or ``#``); ``said`` is what a line says."""

    way: str
    text: str
    said: Taken | None = None


class Conversation:
    """A host without a mind of its own at one end of the simulated rig's wire, and everything that was said."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.log: list[Entry] = []
        self.s: dict[str, int] = {}
        self.limits: dict[str, int] = {}
        self._seq = 0
        self._now_us = 0.0

    def remark(self, text: str) -> None:
        """Write a remark into the session."""
        self.log.append(Entry("#", text))

    def ask(self, kind: str, *numbers: int) -> None:
        """Send one line."""
        line = encode(kind, self._seq, *numbers)
        self._seq = (self._seq + 1) % SEQ_VALUES
        said = decode(line, Sender.HOST)
        assert isinstance(said, Taken)
        self.log.append(Entry(">", line.decode(), said))
        self.rig.deliver(line + b"\n", max(self._now_us, self.rig.t_us) + HOST_US)

    def lines(self, seconds: float) -> Iterator[Taken]:
        """Let time pass; every line of the board as it arrives."""
        until_us = self.rig.t_us + seconds * 1e6
        while self.rig.t_us < until_us:
            self.rig.run_until(until_us, stop_on_line=True)
            for at_us, line in self.rig.collect_lines():
                said = decode(line.removesuffix(b"\n"), Sender.BOARD)
                assert isinstance(said, Taken), line
                self._now_us = at_us
                self.log.append(Entry("<", line.decode().removesuffix("\n"), said))
                if said.kind == "s":
                    self.s = dict(said.fields)
                elif said.kind == "limits":
                    self.limits = dict(said.fields)
                yield said

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        for _ in self.lines(seconds):
            pass

    def ask_and_wait(self, kind: str, *numbers: int) -> None:
        """Send one line and go on until it is answered and the next ``s`` line has come."""
        self.ask(kind, *numbers)
        answered = False
        for said in self.lines(0.25):
            if answered and said.kind == "s":
                return
            answered = answered or said.kind != "s"
        raise AssertionError(f"no answer to {kind}")

    def readings(self, seconds: float) -> Iterator[dict[str, int]]:
        """Let time pass; every ``s`` line."""
        for said in self.lines(seconds):
            if said.kind == "s":
                yield self.s

    def press(self, seconds: float) -> None:
        """Press the pedal for this long."""
        self.rig.press_pedal(True)
        self.wait(seconds)
        self.rig.press_pedal(False)

    # --- what a host works out of the lines ------------------------------------------------------------------
    def force_n(self) -> float:
        """Force of the last reading (hardware/protocol.md section 4)."""
        return (self.s["raw_counts"] - self.limits["zero_counts"]) * 1000 / self.limits["gain_mcounts_n"]

    def raw_counts(self, force_n: float) -> int:
        """The raw reading at a force."""
        return self.limits["zero_counts"] + round(force_n * self.limits["gain_mcounts_n"] / 1000)

    def lease(self, mode: int, rate_steps_s: int, end_steps: int, ceiling_n: float = CEILING_MN / 1000) -> None:
        """Ask for motion."""
        self.ask("go", mode, rate_steps_s, end_steps, self.raw_counts(ceiling_n), EXPIRY_MS)

    def toward_reference(self, mode: int, rate_steps_s: int, softness_mm_n: float = 0.16) -> None:
        """Ask for motion to where the reference tension should be reached, at most 16 mm on."""
        missing_n = REFERENCE_N - self.force_n()
        mm = min(16.0, missing_n * softness_mm_n)
        self.lease(mode, rate_steps_s, self.s["position_steps"] + round(mm * self.limits["steps_mm"]))


def session(c: Conversation) -> None:
    """The session of section 11, from the board's start to the cleared trip."""
    c.remark("The board has started: drive off, no hello yet.")
    c.wait(0.06)
    c.remark("The handshake.")
    c.ask("hello", 1)
    c.wait(0.005)
    c.ask("limits")
    c.wait(0.25)
    c.remark("The cell's rating; then a calibration is offered. Nobody holds the pedal for two seconds: nothing changes.")
    c.ask_and_wait("cell")
    c.ask_and_wait("propose", c.limits["zero_counts"], c.limits["gain_mcounts_n"], c.limits["gain_mcounts_n"], 250_000)
    c.remark("Arm with a ceiling of 120 N; the echo is rounded down.")
    c.ask_and_wait("arm", CEILING_MN)
    c.wait(0.01)
    c.remark("A draw that no tap has permitted is refused: no press of the pedal.")
    c.lease(DRAW, 9600, 3200)
    c.wait(0.34)
    c.remark("A tap of 150 ms. The draw that follows it is accepted: state 2, and `go` names the lease.")
    c.press(0.15)
    c.wait(0.03)
    for _ in c.readings(8.0):
        if c.force_n() > REFERENCE_N - 1.0:
            break
        c.toward_reference(DRAW, 24000)
    c.remark("The reference of 100 N is nearly reached: from here in hold mode.")
    for count, _ in enumerate(c.readings(0.7)):
        c.toward_reference(HOLD, 9600)
        if count == 40:
            c.remark("A hold does not turn back into a draw: refused, and the lease is not renewed by it.")
            c.toward_reference(DRAW, 9600)
    c.remark("Stop. The lease is void, the drive goes on holding; for 300 ms after it no lease is taken.")
    c.ask("stop")
    c.wait(0.02)
    c.lease(EASE, 48000, 0, 0.0)
    c.wait(0.32)
    c.remark("Ease off to the place where the draw began. It ends there, slack, and the board is armed again.")
    for s in c.readings(2.0):
        if s["state"] == 1:
            break
        c.lease(EASE, 48000, 0, 0.0)
    c.wait(0.1)
    c.remark("Disarm.")
    c.ask_and_wait("disarm")
    c.remark("A second pull. The host falls silent in the middle of the draw: trip 7, the lease has expired.")
    c.ask_and_wait("arm", CEILING_MN)
    c.wait(1.1)
    c.press(0.15)
    c.wait(0.03)
    for _ in c.readings(8.0):
        if c.force_n() > 0.5 * REFERENCE_N:
            break
        c.toward_reference(DRAW, 24000)
    c.wait(0.2)
    c.remark("The record of the trip; clearing it under load is refused.")
    c.ask_and_wait("trip")
    c.ask_and_wait("clear")
    c.remark("The pedal is held: after one second the string goes down, without the host, until it is slack.")
    c.press(2.0)
    c.wait(0.05)
    c.remark("Slack. The trip is still there until it is cleared; the board is latched then.")
    c.ask_and_wait("clear")
    c.wait(0.04)


def _told(entries: list[Entry]) -> list[bool]:
    """Which entries are printed: all but ``s`` and ``go`` lines between which nothing happens."""
    keep = [e.said is None or e.said.kind not in ("s", "go") for e in entries]
    last: dict[str, int] | None = None
    for i, entry in enumerate(entries):
        if entry.said is None or entry.said.kind != "s":
            continue
        s = dict(entry.said.fields)
        changed = last is None or any(s[f] != last[f] for f in _TOLD) or (s["flags"] ^ last["flags"]) & _TOLD_FLAGS
        if changed:
            keep[i] = True
            _keep_with_go(entries, keep, i)
        last = s
    # A refused lease is worth its line, and so are the reading after it and what stands before a remark.
    refused = {e.said.fields["of"] for e in entries if e.said and e.said.kind == "no"}
    told_refusal = True
    for i, entry in enumerate(entries):
        if entry.way == ">" and entry.said and entry.said.fields["seq"] in refused:
            keep[i] = True
        if entry.said is None and i:
            keep[i - 1] = True
        if entry.said and entry.said.kind == "no":
            told_refusal = False
        elif not told_refusal and _is_s(entry):
            keep[i] = told_refusal = True
    # In a long run nobody keeps a line; one in its middle shows what goes on.
    for start, end in _runs(keep):
        if end - start > 50:
            middle = next(i for i in range((start + end) // 2, end) if _is_s(entries[i]))
            keep[middle] = True
            _keep_with_go(entries, keep, middle)
    return keep


def _is_s(entry: Entry) -> bool:
    return entry.said is not None and entry.said.kind == "s"


def _keep_with_go(entries: list[Entry], keep: list[bool], i: int) -> None:
    """Keep the lease that the ``s`` line at ``i`` names, if it was sent just before."""
    said = entries[i].said
    assert said is not None
    for j in range(max(0, i - 3), i):
        earlier = entries[j].said
        if earlier and earlier.kind == "go" and earlier.fields["seq"] == said.fields["go"]:
            keep[j] = True


def _runs(keep: list[bool]) -> Iterator[tuple[int, int]]:
    """Stretches of entries that are not kept, as half-open ranges."""
    start = None
    for i, kept in enumerate([*keep, True]):
        if not kept and start is None:
            start = i
        elif kept and start is not None:
            yield start, i
            start = None


def block(entries: Iterable[Entry]) -> str:
    """The session as the document prints it, without the fences."""
    entries = list(entries)
    out: list[str] = []
    left_out = 0
    for entry, kept in [*zip(entries, _told(entries), strict=True), (Entry("#", ""), True)]:
        if not kept:
            left_out += 1
            continue
        if left_out:
            out.append(f"# ... {left_out} line{'s' if left_out > 1 else ''}")
            left_out = 0
        if entry.text:
            out.append(f"{entry.way} {entry.text}")
    return "\n".join(out) + "\n"


def record() -> str:
    """Run the session on a fresh simulated rig and return the block."""
    rig = Rig(Strand(main(NYLON, slack_mm=3.0)))
    rig.carriage.mm = 100.0  # away from both end switches
    conversation = Conversation(rig)
    session(conversation)
    return block(conversation.log)


def in_document(text: str) -> str:
    """The block as it stands in ``text``. Raises ValueError if there is not exactly one."""
    before, fence, rest = text.partition(FENCE)
    inside, end, _ = rest.partition("```\n")
    if not fence or not end or FENCE in rest or not before:
        raise ValueError("the document has no wire block, or more than one")
    return inside


def run() -> None:
    """Print the block, or write it into the document."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    options.add_argument("--write", action="store_true", help="replace the block in hardware/protocol.md")
    recorded = record()
    if options.parse_args().write:
        text = DOCUMENT.read_text("utf-8")
        DOCUMENT.write_text(text.replace(FENCE + in_document(text), FENCE + recorded), "utf-8")
    else:
        print(recorded, end="")


if __name__ == "__main__":
    run()
