"""The port on real streams under MicroPython: what comes in goes out, and nothing is allocated once it has been used."""

import sys

import micropython
from evenbed_pico.port import Port


def echo(port: Port) -> None:
    """Line by line, until nothing comes any more."""
    line = bytearray(64)
    n = 0
    idle = 0
    warm = False
    while idle < 200:
        if warm:
            micropython.heap_lock()
        c = port.read_byte()
        if c >= 0:
            idle = 0
            line[n] = c
            n += 1
            if n == 64 or c == 10:
                while port.free() < n:
                    port.pump()
                port.send(line, n)
                n = 0
        else:
            idle += 1
        port.pump()
        if warm:
            micropython.heap_unlock()
        warm = warm or c == 10
    while port.free() < 512:
        port.pump()


echo(Port(sys.stdin, sys.stdout, sys.stdin.buffer, sys.stdout.buffer))
