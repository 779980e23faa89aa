"""The way to the host, USB or UART, that never waits.

MicroPython says whether at least one byte can be handed over, never how many; with fewer free than are written it waits, up
to half a second while a host holds the port open without reading. But its USB queue has 256 bytes and leaves in packets of
64 or in whole: if nothing but words of 8 bytes is ever written, then either none is free or eight are. So lines lie in a
ring, filled up with empty lines to whole words (the wire: an empty line is nothing), and leave it word by word.
"""

import select

ROOM = 512  # bytes of the ring
WORD = 8
WORDS = ROOM // WORD
WORDS_A_PASS = 32
POLLOUT = select.POLLOUT


class Port:
    """Bytes from and to ``stream_in`` and ``stream_out``: what select.poll takes, with readinto() and write()."""

    def __init__(self, stream_in: object, stream_out: object, raw_in: object, raw_out: object) -> None:
        readable = select.poll()
        readable.register(stream_in, select.POLLIN)
        self._readable = readable.ipoll
        writable = select.poll()
        writable.register(stream_out, select.POLLOUT)
        self._writable = writable.ipoll
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
        for _ in self._readable(0):
            one = self._one
            if self._readinto(one) == 1:
                return one[0]
        return -1

    def free(self) -> int:
        """Bytes that send() takes now."""
        return ROOM - self._kept * WORD

    def send(self, buf: bytearray, n: int) -> None:
        """Take the first ``n`` bytes of ``buf``, whole lines, into the ring; there must be room."""
        ring = self._words
        at = self._head + self._kept
        i = 0
        while i < n:
            if at >= WORDS:
                at -= WORDS
            word = ring[at]
            at += 1
            self._kept += 1
            if n - i < WORD:
                for k in range(WORD):
                    word[k] = buf[i] if i < n else 10
                    i += 1
                return
            # One by one: a slice would be allocated.
            word[0] = buf[i]
            word[1] = buf[i + 1]
            word[2] = buf[i + 2]
            word[3] = buf[i + 3]
            word[4] = buf[i + 4]
            word[5] = buf[i + 5]
            word[6] = buf[i + 6]
            word[7] = buf[i + 7]
            i += WORD

    def pump(self) -> None:
        """Hand over what can be handed over without waiting."""
        kept = self._kept
        if kept == 0:
            return
        writable = self._writable
        write = self._write
        ring = self._words
        head = self._head
        least = kept - WORDS_A_PASS
        while kept > 0 and kept > least:
            ready = False
            for _, events in writable(0):
                ready = events & POLLOUT != 0
            if not ready:
                break
            write(ring[head])
            kept -= 1
            head = head + 1 if head < WORDS - 1 else 0
        self._kept = kept
        self._head = head
