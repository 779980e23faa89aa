"""The way to the host, USB or UART, that never waits.

MicroPython says whether at least one byte can be handed over, never how many; with fewer free than are written it waits, up
to half a second while a host holds the port open without reading. But its USB queue has 256 bytes and leaves in packets of
64 or in whole: if nothing but words of 8 bytes is ever written, then either none is free or eight are. So lines lie in a
ring, filled up with empty lines to whole words (the wire: an empty line is nothing), and leave it word by word.
"""

import select

ROOM = 512  # bytes of the ring
WORD = 8
WORDS_A_PASS = 32


class Port:
    """Bytes from and to ``stream_in`` and ``stream_out``: what select.poll takes, with readinto() and write()."""

    def __init__(self, stream_in: object, stream_out: object, raw_in: object, raw_out: object) -> None:
        self._readable = select.poll()
        self._readable.register(stream_in, select.POLLIN)
        self._writable = select.poll()
        self._writable.register(stream_out, select.POLLOUT)
        self._readinto = raw_in.readinto  # type: ignore[attr-defined]
        self._write = raw_out.write  # type: ignore[attr-defined]
        self._one = bytearray(1)
        self._ring = bytearray(ROOM)
        view = memoryview(self._ring)
        self._words = [view[at : at + WORD] for at in range(0, ROOM, WORD)]
        self._head = 0  # next word to leave
        self._kept = 0  # words

    def read_byte(self) -> int:
        """Next byte, or -1."""
        for _ in self._readable.ipoll(0):
            if self._readinto(self._one) == 1:
                return self._one[0]
        return -1

    def free(self) -> int:
        """Bytes that send() takes now."""
        return ROOM - self._kept * WORD

    def send(self, buf: bytearray, n: int) -> None:
        """Take the first ``n`` bytes of ``buf``, whole lines, into the ring; there must be room."""
        ring = self._ring
        words = (n + WORD - 1) // WORD
        at = (self._head + self._kept) * WORD
        for i in range(words * WORD):
            if at >= ROOM:
                at -= ROOM
            ring[at] = buf[i] if i < n else 10
            at += 1
        self._kept += words

    def pump(self) -> None:
        """Hand over what can be handed over without waiting."""
        left = WORDS_A_PASS
        while self._kept > 0 and left > 0:
            left -= 1
            ready = False
            for _, events in self._writable.ipoll(0):
                ready = events & select.POLLOUT != 0
            if not ready:
                return
            self._write(self._words[self._head])
            self._kept -= 1
            self._head = self._head + 1 if self._head < ROOM // WORD - 1 else 0
