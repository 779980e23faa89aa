"""The whole way: ask the board, reach its prompt, copy what differs, verify, reset, hear it answer.

A chip whose drive has had power runs its watchdog, which cannot be stopped: a program that is interrupted there is reset
within 250 ms. So the board is reset once on purpose before anything is touched; from a reset until the drive first gets
power there is no watchdog, and only a host gives a slack rig's drive power: this one holds the port.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from evenbed_fw import VERSION
from evenbed_pico.pins import BoardFile

from evenbed.control.port import PortError, open_port
from evenbed.flash import words
from evenbed.flash.changes import LOOKED_AT, Changes, changes, foreign, wrong
from evenbed.flash.files import CELL, FRESH, MAIN, PINS, firmware
from evenbed.flash.greeting import Heard, greet, refusal, says
from evenbed.flash.prompt import Prompt, PromptError, Who

CHIP = "RP2040"
GREET_S = 3.0
REACH_S = 2.0
BACK_S = 25.0  # from a reset until the port is there again
BLIND = 16  # in boot_cause: the board cannot use its files (evenbed_pico.start)


class FlashError(Exception):
    """It was not done; the text says why, what the board is like now, and what to do. ``stopped``: by Ctrl-C."""

    def __init__(self, text: str, stopped: bool = False) -> None:
        super().__init__(text)
        self.stopped = stopped


@dataclass(frozen=True)
class FlashRequest:
    """``pins``: the text of a pins file to put on the board, None to keep the board's own. ``no_string``: somebody has
    looked, nothing is in the gripper."""

    port: str
    pins: bytes | None = None
    dry_run: bool = False
    no_string: bool = False
    unit: str = "N"


class Flashing:
    """One board. ``say`` takes each line for the person as it comes."""

    def __init__(self, request: FlashRequest, say: Callable[[str], None]) -> None:
        self._request = request
        self._say = say
        self._port = request.port
        self._prompt: Prompt | None = None
        self._at = ""  # what is being done, while the board is without main.py
        self._whole = False  # all files are there

    def run(self) -> None:
        """Do it. Raises FlashError, also for Ctrl-C, and PortError."""
        try:
            self._run()
        except PromptError as e:
            raise FlashError(self._broken(str(e))) from None
        except KeyboardInterrupt:
            text = self._broken("Ctrl-C")
            raise FlashError(text if self._at or self._whole else words.STOPPED, stopped=True) from None
        finally:
            if self._prompt is not None:
                self._prompt.close()

    def _broken(self, why: str) -> str:
        self._abandon()
        if self._at:
            return words.HALFWAY.format(at=self._at, why=why)
        return (words.WHOLE if self._whole else words.UNCHANGED).format(port=self._port, why=why)

    def _abandon(self) -> None:
        """If the board is still there, let it start anew, as it now is."""
        with contextlib.suppress(PromptError, KeyboardInterrupt):
            if self._prompt is not None and self._prompt.reach(1.0):
                self._restart()

    def _run(self) -> None:
        request = self._request
        heard = greet(self._port, GREET_S)
        if heard is not None:
            self._say(f"{self._port}: {says(heard, request.unit)}.")
            why = refusal(heard, request.no_string, request.unit)
            if why:
                raise FlashError(f"{why} Nothing was changed.")
        prompt = self._reached(heard)
        there = prompt.look(LOOKED_AT)
        other = foreign(there)
        if other:
            rm = " + ".join(f"rm :{name}" for name in other)
            self._leave(words.FOREIGN.format(names=" and ".join(other), rm=f"mpremote connect {self._port} {rm}"))
        if request.pins is None and PINS not in there:
            self._leave(words.NO_PINS.format(pins=PINS))
        wanted = dict(firmware())
        if request.pins is not None:
            wanted[PINS] = request.pins
        todo = changes(wanted, there)
        self._plan(wanted, todo)
        pins = request.pins if request.pins is not None else prompt.read(PINS)
        if request.dry_run:
            self._restart()
            self._say("Nothing was changed (--dry-run).")
            return
        if todo.any:
            self._apply(prompt, wanted, todo)
        now = prompt.look(LOOKED_AT)
        if wrong(wanted, now):
            self._at = "last look"
            prompt.remove(MAIN)
            self._verify(wanted, now)
        self._say(f"Verified: all {len(wanted)} files by SHA-256, worked out on the board.")
        if CELL not in now:
            self._say("It has no calibration yet: 'evenbed calibrate' comes before the first string.")
        elif now[CELL] == there.get(CELL):
            self._say("Calibration kept.")
        prompt.reset()
        self._back(heard, pins)
        if todo.any:
            self._say("Before the next string: evenbed prove.")

    def _reached(self, heard: Heard | None) -> Prompt:
        """The prompt of a board that has no watchdog running."""
        prompt = self._prompt = Prompt(self._port)
        if not prompt.reach(REACH_S):
            raise FlashError((words.NO_MICROPYTHON if heard is None else words.NO_PROMPT).format(port=self._port))
        if heard is None:
            who = self._who(prompt)
            if who.ran and not self._request.no_string:
                self._leave(words.UNHEARD.format(port=self._port))
        if heard is not None or who.ran:
            prompt = self._prompt = self._restarted(prompt)
            who = prompt.who()
        if CHIP not in who.machine:
            self._leave(words.NOT_THE_CHIP.format(version=who.version, port=self._port, machine=who.machine))
        self._say(f"{self._port}: MicroPython {who.version} on {who.machine}.")
        return prompt

    def _who(self, prompt: Prompt) -> Who:
        try:
            return prompt.who()
        except PromptError:
            # A watchdog has reset it meanwhile. It does not run any more, so that the second time is undisturbed.
            prompt.close()
            prompt = self._prompt = self._again(BACK_S)
            return prompt.who()

    def _restarted(self, prompt: Prompt) -> Prompt:
        try:
            prompt.run("_before = 1")
        except PromptError:
            prompt.close()  # the watchdog was quicker
        else:
            prompt.reset()
        return self._again(BACK_S)

    def _again(self, seconds: float) -> Prompt:
        """The prompt after a reset, as soon as the port is back."""
        until = time.monotonic() + seconds
        why = "it has not come back from its reset"
        while time.monotonic() < until:
            try:
                prompt = self._prompt = Prompt(self._port)
                if prompt.reach(1.0) and prompt.run("print('_before' in globals())").strip() == "False":
                    return prompt
            except PromptError as e:
                why = str(e)
            if self._prompt is not None:
                self._prompt.close()
            time.sleep(0.1)
        raise PromptError(why)

    def _leave(self, why: str) -> None:
        """Let what was interrupted start again, and say why nothing is done."""
        self._restart()
        raise FlashError(why)

    def _restart(self) -> None:
        """Reset the board, and wait until its port is there again."""
        assert self._prompt is not None
        self._prompt.reset()
        until = time.monotonic() + BACK_S
        while time.monotonic() < until:
            time.sleep(0.2)
            with contextlib.suppress(PortError):
                open_port(self._port).close()
                return

    def _plan(self, wanted: Mapping[str, bytes], todo: Changes) -> None:
        if not todo.any:
            self._say(f"All {len(wanted)} files are there already: nothing to copy.")
            return
        count = len(todo.copy) + 1
        size = sum(len(wanted[path]) for path in (*todo.copy, MAIN)) / 1024.0
        self._say(
            f"{len(wanted)} files belong on it: {count} to copy ({size:.1f} KiB), {len(wanted) - count} there already"
            + (f", {len(todo.remove)} to remove: {', '.join(todo.remove)}." if todo.remove else ".")
        )
        if not self._request.dry_run:
            self._say("Until the board answers again it does nothing: no pedal, no let-down. Nothing moves.")

    def _apply(self, prompt: Prompt, wanted: Mapping[str, bytes], todo: Changes) -> None:
        self._at = "nothing copied yet"
        if MAIN in prompt.look([MAIN], ()):
            prompt.remove(MAIN)
        for path in todo.remove:
            prompt.remove(path)
        for n, path in enumerate(todo.copy, 1):
            self._at = f"{path}, {n} of {len(todo.copy) + 1}"
            self._put(prompt, path, wanted[path])
        others = {path: data for path, data in wanted.items() if path != MAIN}
        self._verify(others, prompt.look(LOOKED_AT))
        self._at = MAIN
        self._put(prompt, MAIN, wanted[MAIN], verified=True)
        self._at = ""
        self._whole = True

    def _put(self, prompt: Prompt, path: str, data: bytes, verified: bool = False) -> None:
        """Write it under another name, so that no half of it is ever found under its own."""
        self._say(f"  {path}  {len(data) / 1024.0:.1f} KiB")
        prompt.write(FRESH, data)
        if verified:
            self._verify({FRESH: data}, prompt.look([FRESH], ()))
        prompt.rename(FRESH, path)

    def _verify(self, wanted: Mapping[str, bytes], there: Mapping[str, str]) -> None:
        bad = wrong(wanted, there)
        if bad:
            raise PromptError(f"{', '.join(bad)} did not arrive as sent (SHA-256)")

    def _back(self, before: Heard | None, pins: bytes) -> None:
        """Wait for the board and say what it is like now."""
        file = BoardFile(pins.decode(errors="replace"))
        cat = f"mpremote connect {self._port} cat :evenbed_error.txt"
        if file.wrong:
            self._say(f"It will not arm: {file.wrong}. Correct a copy of the file, then: evenbed flash --pins FILE")
        elif file.uart:
            self._say("Its pins file sends the protocol over the UART: it answers there, not on this port.")
            return
        after = self._greeted()
        if after is None:
            raise FlashError(words.NO_ANSWER.format(port=self._port, cat=cat))
        if after.info.firmware != VERSION:
            raise FlashError(words.OTHER_VERSION.format(version=after.info.version))
        crc = after.info.settings_crc
        same = ""
        if before is not None:
            same = ", as before" if before.info.settings_crc == crc else f", {before.info.settings_crc} before"
        self._say(f"The board answers: {says(after, self._request.unit)}; settings {crc}{same}.")
        if after.info.boot_cause & BLIND and not file.wrong:
            self._say(f"It will not arm; why: {cat}")

    def _greeted(self) -> Heard | None:
        until = time.monotonic() + BACK_S
        while time.monotonic() < until:
            try:
                heard = greet(self._port, GREET_S)
            except PortError:
                time.sleep(0.1)
                continue
            if heard is not None:
                return heard
        return None
