"""One evening of a board, told in a few seconds: arm, tap, draw, hold, trips, let-down; runs on CPython and MicroPython.

Prints a digest of every byte the board sent and where it stood at each stage. With ``lock`` (the module micropython) the
heap is locked around every poll while something moves or holds.
"""

from evenbed_fw import wire

from firmware.mpy_rig import AT_REST, Desk

START_US = wire.TIME_WRAP_US - 1600000  # the clock wraps while the first draw is under way


def begin(desk: Desk) -> None:
    """Greet and arm."""
    desk.unlocked(400)
    desk.say("hello", wire.PROTOCOL)
    desk.unlocked(20)
    desk.say("limits")
    desk.unlocked(20)
    desk.say("arm", 250000)
    desk.unlocked(500)
    desk.note()


def draw_and_hold(desk: Desk, end: int) -> None:
    """One tap, a draw to ``end``, a hold with a little give and take."""
    desk.press(150)
    desk.run(900, (wire.DRAW, 40000, end, 2100000, 150))
    desk.note()
    desk.run(300, (wire.HOLD, 9000, end + 150, 2150000, 150))
    desk.run(300, (wire.HOLD, 9000, end - 150, 2150000, 150))
    desk.note()


def session(lock: "object") -> "list[str]":
    """Run it; return the lines to compare."""
    desk = Desk(START_US, lock)
    hw = desk.hw
    hw.k = 160  # 29 N/mm with the default settings
    hw.slack = 8000
    begin(desk)
    draw_and_hold(desk, 19000)
    # The host eases off down to where the string is slack: armed again.
    desk.run(1500, (wire.EASE, 30000, 7000, 0, 150))
    desk.note()
    # A second draw; the readings stop in the hold: frozen. The pedal lets down without them.
    draw_and_hold(desk, 19000)
    hw.converting = False
    desk.run(45, (wire.HOLD, 9000, 19000, 2150000, 150))
    desk.note()
    desk.press(2500)
    desk.note()
    hw.converting = True
    desk.run(400)
    desk.say("trip")
    desk.unlocked(5)
    desk.say("clear")
    desk.unlocked(20)
    desk.note()
    desk.say("arm", 250000)
    desk.unlocked(1000)
    # A third; the clamp behind the gripper grabs: over-tension, the board backs off by itself, the pedal does the rest.
    draw_and_hold(desk, 18000)
    hw.bias = 700000
    desk.run(20, (wire.HOLD, 9000, 18000, 2150000, 150))
    desk.run(1500)
    desk.note()
    hw.bias = 0
    desk.press(1800)
    desk.note()
    desk.say("clear")
    desk.unlocked(20)
    # Last, frozen by the pedal in full flight, then by the emergency stop, and let down from there.
    desk.say("arm", 250000)
    desk.unlocked(1000)
    desk.press(100)
    desk.run(200, (wire.DRAW, 40000, 19000, 2100000, 150))
    desk.press(100)
    desk.note()
    hw.pins = 0
    desk.run(100)
    hw.pins = AT_REST
    desk.run(300)
    desk.note()
    desk.press(1600)
    desk.note()
    out = [f"state {state} fault {fault} later {later} at {at}" for state, fault, later, at in desk.log]
    board = desk.board
    out.append(f"lines {hw.sent} digest {hw.digest:06x} dropped {board.dropped} refused {board.reader.bad}")
    return out
