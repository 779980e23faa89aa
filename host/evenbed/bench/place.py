"""The place where work is done: one rig, one control process, one job or pull at a time, in a thread of its own.

A disk or a starting process may keep this thread waiting; pages, the pedal and a stop do not go through it.
"""

from __future__ import annotations

import json
import queue
import statistics
import threading
import time
from collections.abc import Callable
from typing import Any

from evenbed_fw.safety import F_END_LOW

from evenbed.bench.guided import PATIENCE_S, Guiding
from evenbed.bench.opening import TROUBLES, Means, Opened, choices, open_work, port_of, records
from evenbed.bench.orders import Order
from evenbed.bench.pull import FreePull
from evenbed.bench.tell import AWAY, Settling, Strung, newest_stop, no_way_down, told
from evenbed.catalogue import GET_DOWN
from evenbed.head.types import Ask
from evenbed.job.notebook import Line
from evenbed.job.view import view
from evenbed.record.store import StoreError
from evenbed.units import UNITS

WAIT_S = 0.02
IDLE_S = 0.2
GUIDED_S = 0.1
CONNECT_S = 5.0
GOODBYE_S = 1.5
BREAK_S = 180.0  # a longer gap between two pulls is none of the work's pace
AHEAD = 3  # pulls to come that are shown
AT_REST = ("", "unarmed", "slack", "referencing", "booted_loaded")
LOADED_N = 8.0
LAST_ASKS = {"frozen": Ask.LET_DOWN, "slack": Ask.DISARM}  # of a head whose work is left
ENDED = (
    "The control process has ended. By itself the board freezes and holds what it has; the force is not known here now. "
    f"{GET_DOWN} To go on, leave this work (Menu) and begin again."
)
NO_BOARD = (
    f"Nothing on this port answers as an evenbed board ({CONNECT_S:.0f} s). Is the firmware on it, is it the right port, "
    "is the board powered?"
)
OWN_FAULT = (
    "The bench screen has met a fault of its own ({error}). Nothing more is planned; the head holds what it has. Hold "
    "the pedal to let it down, and please report it."
)
STILL_AT_IT = "The command is still letting a string down, or waits for its board: look at the rig, then leave."
NOT_STARTED = "The command could not be started: {why}."
ONLY_STOP = "A command is under way, and the head is its own: here it can only be stopped."
ON_HEAD = "A string is on the head: clamp it and tap, or let it down; then leave."

Answer = Callable[[dict[str, Any]], None]


def may_leave(status: dict[str, Any] | None) -> bool:
    """Is there nothing more that the program could do for a string on the head? ``status`` is the newest one, if any."""
    if status is None or status["state"] in AT_REST:
        return True
    slack = status["force_n"] is not None and status["force_n"] < LOADED_N
    # At the end on the slack side the head has let down what it can: the rest is for hands.
    at_end = bool(status["flags"] & F_END_LOW)
    return (status["state"] in ("tripped", "frozen") and (slack or at_end)) or (status["state"] == "easing_off" and at_end)


class Place:
    """``publish`` is called from this thread with what all pages are to know; it must not wait."""

    def __init__(
        self, means: Means, publish: Callable[[dict[str, Any]], None], clock: Callable[[], float] = time.monotonic
    ):
        self.means = means
        self._publish = publish
        self._clock = clock
        self._orders: queue.SimpleQueue[tuple[Order, Answer] | None] = queue.SimpleQueue()
        self._opened: Opened | None = None
        self._guiding = Guiding(publish)
        self._thread = threading.Thread(target=self._run, name="place")
        self.left_loaded_n: float | None = None  # what was on the string of a real rig when this ended
        self._clear()

    def _clear(self) -> None:
        self._status: dict[str, Any] | None = None
        self._connected_s: float | None = None
        self._begun_s = 0.0
        self._pulls_s: list[float] = []
        self._told_job = ""
        self._job_due = True
        self._settling = Settling()
        self._trips_before = 0
        self._strung = Strung()
        self._stop: dict[str, Any] | None = None
        self._gone = False
        self._away = ""  # why the head cannot be seen or asked
        self._unwritten = False  # what the records could not take
        self._leaves_until_s: float | None = None  # a guided command is being left: so long it is waited for

    def start(self) -> None:
        """Begin to listen."""
        self._tell("nothing")
        self._thread.start()

    def stop(self) -> None:
        """End the work and the thread."""
        self._orders.put(None)
        self._thread.join()

    # --- from the pages, never waiting ------------------------------------------------------------------------
    def post(self, order: Order, answer: Answer) -> None:
        """Have an order carried out; ``answer`` is called from the place's thread."""
        self._orders.put((order, answer))

    def ask(self, ask: Ask) -> str:
        """Ask the head for something that never raises a force, at once. Returns why not, or nothing."""
        opened, guided, status = self._opened, self._guiding.run, self._status
        if opened is not None:
            opened.desk.client.ask(ask)
            return self._away or (no_way_down(status) if ask is Ask.LET_DOWN and status is not None else "")
        if guided is not None:
            if ask not in (Ask.STOP, Ask.LET_DOWN):
                return ONLY_STOP
            guided.stop()  # it lets down what moves or pulls
        return ""

    def pedal(self, down: bool) -> str:
        """The pedal of a simulated rig. Returns why it is not the page's to press, or nothing."""
        opened = self._opened
        if opened is None:
            return ""
        if opened.rig is None:
            return "On a real rig only the wired pedal starts a draw."
        opened.rig.pedal(down)
        return ""

    # --- the thread -------------------------------------------------------------------------------------------
    def _run(self) -> None:
        while True:
            opened = self._opened
            listening = opened is not None and not opened.desk.client.ended
            try:
                if opened is not None:
                    self._turn(opened)
                self._guiding.tell()
                self._leave_guided()
                idle = GUIDED_S if self._guiding.run is not None else IDLE_S
                posted = self._orders.get(timeout=0.0 if listening else idle)
                if posted is None:
                    self._close("")
                    self._guiding.leave()
                    return
                self._carry_out(*posted)
            except queue.Empty:
                continue
            except Exception as e:  # of our own making: nothing more is planned, and the pages say so
                self._own_fault(e)

    def _own_fault(self, e: Exception) -> None:
        if self._opened is not None:
            self._opened.desk.client.plan(None)
        self._tell(trouble=OWN_FAULT.format(error=f"{type(e).__name__}: {e}"))

    def _turn(self, opened: Opened) -> None:
        messages = opened.desk.client.messages(WAIT_S)
        for message in messages:
            self._hear(message)
        self._guarded(lambda: opened.work.hear(messages))
        self._job_due |= any(m["kind"] != "status" for m in messages)
        if opened.desk.client.ended and not self._gone:
            self._gone = True
            self._lose("ended", dict.fromkeys(UNITS, ENDED))
            self._tell(trouble=ENDED)
        elif self._connected_s is None and not self._gone and self._clock() - self._begun_s > CONNECT_S:
            self._gone = True
            self._tell(trouble=NO_BOARD)
        if self._job_due:
            self._job_due = False
            self._tell_job(opened)
        if opened.rig is not None and self._status is not None and self._status["state"] in AT_REST:
            opened.rig.steer(self._clock())

    def _guarded(self, deed: Callable[[], list[Line]]) -> None:
        """Have the work do something; if its records cannot be written nothing more is planned."""
        try:
            for line in deed():
                self._job_due = True
                self._publish({"kind": "line", "line": line.kind, "text": line.text})
            if self._unwritten and self._opened is not None and not self._opened.work.unwritten:
                self._unwritten = False
                self._tell()
        except StoreError as e:
            assert self._opened is not None
            self._unwritten = True
            self._opened.desk.client.plan(None)
            self._tell(trouble=f"{e} The head holds what it has; nothing more is planned. Hold the pedal to let down.")

    def _hear(self, message: dict[str, Any]) -> None:
        kind = message["kind"]
        if kind == "status":
            self._status = message
            seen = {"string": self._strung.now(message), "no_way_down": no_way_down(message)}
            self._publish(message | {"settling": self._settling.ratio(message)} | seen)
        elif kind == "event":
            if message["name"] == "connected":
                self._connected_s = self._clock()
                self._gone = False
                self._lose("", {})
                self._publish(told(message))
                self._tell()
                return
            self._event(told(message))
        elif kind == "record":
            record = message["record"]
            if record["ended"] == "let off":
                self._pulls_s.append(self._clock())
            margin = record["least_margin_n"]
            record["least_margin_n"] = margin if margin < 1e9 else None
            self._publish({"kind": "record", "record": record, "fresh": True})
        elif kind == "fatal":
            self._gone = True
            self._lose("ended", dict.fromkeys(UNITS, message["says"]))
            self._tell(trouble=message["says"])

    def _event(self, event: dict[str, Any]) -> None:
        if not event["values"].get("quiet"):
            self._publish(event)
        if event["values"].get("entry") in AWAY:
            self._lose("no board", event["says"])
        elif "fault" in event["values"] and event["name"] != "also":
            self._stop = newest_stop(self._stop, event)
            self._publish({"kind": "stop", "event": self._stop})
        elif self._stop is not None and event["state"] in ("unarmed", "slack"):
            self._stop = None
            self._trips_before = self._newest_trip()
            self._publish({"kind": "stop", "event": None})
            self._tell()

    def _lose(self, word: str, says: dict[str, str]) -> None:
        """The head is out of reach, and ``says`` why, in each unit; or it is there again (no word)."""
        self._away = says[self._opened.unit] if self._opened is not None and word else ""
        self._publish({"kind": "away", "word": word, "says": says})

    # --- orders -----------------------------------------------------------------------------------------------
    def _carry_out(self, order: Order, answer: Answer) -> None:
        self._job_due = True
        if order.kind == "look":
            answer(choices(self.means))
        elif order.kind == "begin":
            self._begin(order, answer)
        elif order.kind == "leave":
            self._leave(answer)
        elif order.kind == "say" and self._guiding.run is not None:
            self._guiding.run.say(order.values["text"])
        elif self._opened is None:
            answer({"kind": "refused", "text": "Nothing is begun yet."})
        elif order.kind == "act":
            work, values = self._opened.work, order.values
            self._guarded(lambda: work.act(**values))
        elif order.kind == "unit":
            self._opened.unit = order.values["unit"]
            if not isinstance(self._opened.work, FreePull):
                self._opened.work.job.unit = order.values["unit"]
            self._tell()

    def _begin(self, order: Order, answer: Answer) -> None:
        if self._opened is not None or self._guiding.run is not None:
            answer({"kind": "refused", "text": "Work is under way: leave it first."})
            return
        self._clear()
        if order.values["what"] == "guided":
            self._begin_guided(order.values)
            return
        self._trips_before = self._newest_trip()
        self._tell("starting")
        try:
            opened = open_work(order, self.means, lambda done: self._publish({"kind": "hands", "text": done}))
        except TROUBLES as e:
            self._tell("nothing", trouble=str(e))
            return
        self._settling = Settling(opened.family)
        self._opened = opened
        self._begun_s = self._clock()
        self._publish({"kind": "bed", "bed": opened.bed})
        self._tell()
        self._guarded(opened.work.start)
        for said in opened.says:
            self._publish({"kind": "line", "line": "remark", "text": said})

    def _begin_guided(self, values: dict[str, Any]) -> None:
        try:
            port = port_of(values["rig"], self.means)
        except TROUBLES as e:
            self._tell("nothing", trouble=str(e))
            return
        rig = self.means.rig
        try:
            self._guiding.begin(values, str(self.means.records), port, None if rig is None else str(rig))
        except OSError as e:
            self._tell("nothing", trouble=NOT_STARTED.format(why=e.strerror or e))
            return
        self._tell()

    def _newest_trip(self) -> int:
        trips = records(self.means.records)["trips"]
        return int(trips[0]["number"]) if trips else 0

    def _leave(self, answer: Answer) -> None:
        if self._guiding.run is not None:
            if self._leaves_until_s is None:
                self._leaves_until_s = self._clock() + PATIENCE_S
            self._leave_guided()
            return
        if self._opened is None:
            return
        if not (self._gone or may_leave(self._status)):
            answer({"kind": "refused", "text": ON_HEAD})
            return
        self._close("left")

    def _leave_guided(self) -> None:
        """Without waiting: pages are heard meanwhile. Once patience is at an end they are told, and it is not left."""
        if self._leaves_until_s is None:
            return
        if self._guiding.leave(0.0):
            self._leaves_until_s = None
            self._tell("nothing")
        elif self._clock() > self._leaves_until_s:
            self._leaves_until_s = None
            self._publish({"kind": "refused", "text": STILL_AT_IT})

    def _close(self, why: str) -> None:
        opened = self._opened
        if opened is None:
            return
        client = opened.desk.client
        client.plan(None)
        until = self._clock() + GOODBYE_S
        while self._status and self._status["state"] in LAST_ASKS and self._clock() < until and not client.ended:
            client.ask(LAST_ASKS[self._status["state"]])
            for message in client.messages(0.1):
                self._hear(message)
        force_n = self._status["force_n"] if self._status else None
        if opened.rig is None and force_n is not None and force_n > LOADED_N:
            self.left_loaded_n = force_n
        self._opened = None
        opened.close()
        self._clear()
        if why:
            self._tell("nothing")

    # --- what all pages know ----------------------------------------------------------------------------------
    def _tell(self, at: str = "", trouble: str = "") -> None:
        opened = self._opened
        guided = self._guiding.run is not None
        message: dict[str, Any] = {
            "kind": "place",
            "at": at or ("guided" if guided else "nothing" if opened is None else "work"),
            "trouble": trouble,
        }
        if guided:
            message |= self._guiding.facts
        if opened is not None:
            message |= {
                "simulated": opened.rig is not None,
                "port": opened.port,
                "unit": opened.unit,
                "name": opened.name,
                "number": opened.number,
                "said": opened.desk.said,
                "cuts": opened.cuts,
                "trips_before": self._trips_before,
                "connected_s": None if self._connected_s is None else self._clock() - self._connected_s,
            }
        else:
            self._publish({"kind": "bed", "bed": None})
            self._publish({"kind": "stop", "event": None})
            self._publish({"kind": "job", "job": None})
            self._publish({"kind": "away", "word": "", "says": {}})
        self._publish(message)

    def _tell_job(self, opened: Opened) -> None:
        if isinstance(opened.work, FreePull):
            job: dict[str, Any] = opened.work.view()
        else:
            state = opened.work.job.state
            if opened.rig is not None:
                opened.rig.follow(state, self._clock())
            seen = view(opened.work.job)
            ahead = [{"number": p.number, "label": p.label, "n": p.target_n} for p in state.left]
            job = {
                **seen,
                "ahead_labels": ahead[:AHEAD],
                "left": ahead,
                "notes": state.notes,
                "job_over": opened.work.job.over,
            }
        text = json.dumps(job)
        if text == self._told_job:
            return
        self._told_job = text
        gaps = [b - a for a, b in zip(self._pulls_s, self._pulls_s[1:], strict=False) if b - a < BREAK_S]
        pace = statistics.median(gaps) if gaps else None
        clock = {"elapsed_s": self._clock() - self._begun_s, "pull_s": pace}
        self._publish({"kind": "job", "job": job, **clock})
