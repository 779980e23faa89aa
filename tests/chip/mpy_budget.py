"""What a pass of the loop takes on this interpreter, by what it has to do. Prints microseconds; the scale: soak.py."""

import time

from evenbed_fw import wire

from chip import mpy_world


def spent(passes: int, evening: "mpy_world.Evening", us: int, go: "tuple[int, ...] | None", every: int) -> int:
    """Median time of a pass, of ``us`` of virtual time each, a lease every ``every`` passes."""
    poll = evening.board.poll
    after = evening.hw.after
    core = evening.board.core
    advance = mpy_world.WORLD.advance
    took = []
    for i in range(passes):
        if go is not None and i % every == 0:
            evening.say("go", *go)
        advance(us)
        start = time.ticks_us()  # type: ignore[attr-defined]
        poll()
        after(core.state, core.fault)
        took.append(time.ticks_diff(time.ticks_us(), start))  # type: ignore[attr-defined]
    return sorted(took)[passes // 2]


def main(text: str) -> None:
    """Idle, holding without a reading, with one, with one and a lease; then one line out and in."""
    mpy_world.install()
    evening = mpy_world.Evening(text, None)
    evening.begin()
    evening.press(150)
    evening.run(800, (wire.DRAW, 40000, 19000, 2100000, 150))
    evening.run(200, (wire.HOLD, 9000, 19150, 2150000, 150))
    hold = (wire.HOLD, 9000, 19100, 2150000, 150)
    print(f"short pass {spent(2000, evening, 1, hold, 1 << 20)}")
    evening.run(50, hold)
    print(f"ramp pass {spent(400, evening, 2000, hold, 6)}")
    evening.run(50, hold)
    mpy_world.WORLD.until_us = 1
    print(f"reading and lease {spent(400, evening, 12500, hold, 1)}")
    board = evening.board
    out = []
    for _ in range(500):
        start = time.ticks_us()  # type: ignore[attr-defined]
        board._report(1234567, 19000)
        out.append(time.ticks_diff(time.ticks_us(), start))  # type: ignore[attr-defined]
    words = [1]
    words.extend(hold)
    line = wire.encode("go", words)
    byte = board.reader.byte
    came = []
    for _ in range(500):
        start = time.ticks_us()  # type: ignore[attr-defined]
        for c in line:
            byte(c)
        came.append(time.ticks_diff(time.ticks_us(), start))  # type: ignore[attr-defined]
    print(f"line out {sorted(out)[250]}")
    print(f"line in {sorted(came)[250]}")
