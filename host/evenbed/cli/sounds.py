"""Cues for ears: steady short and soft, question and trip unlike it; spoken lines where this computer can speak.

Tones are made here and played by whatever player the system has; without one the terminal's bell rings instead.
"""

from __future__ import annotations

import contextlib
import io
import shutil
import subprocess
import sys
import wave

import numpy as np

RATE_HZ = 22050
PLAYERS = (("pw-play", "-"), ("paplay",), ("aplay", "-q", "-"), ("play", "-q", "-t", "wav", "-"))
SPEAKERS = (("spd-say", "-e"), ("espeak-ng", "--stdin"), ("espeak", "--stdin"), ("say", "-f", "-"))
# (frequency in Hz, length in s, loudness) one after another; 0 Hz is a rest
CUES: dict[str, tuple[tuple[float, float, float], ...]] = {
    "steady": ((880.0, 0.09, 0.25),),
    "question": ((520.0, 0.22, 0.7), (0.0, 0.06, 0.0), (780.0, 0.30, 0.7)),
    "reference": ((660.0, 0.12, 0.5), (0.0, 0.08, 0.0), (660.0, 0.12, 0.5)),
    "trip": ((440.0, 0.18, 1.0), (330.0, 0.18, 1.0)) * 3,
}
BELLS = {"steady": 1, "question": 2, "reference": 1, "trip": 4}
EDGE_S = 0.008  # fading in and out, or it clicks


def tone(cue: str) -> bytes:
    """The cue as a WAV file, mono, 16 bit. Raises KeyError for a cue that there is not."""
    parts = []
    for hz, for_s, loud in CUES[cue]:
        t = np.arange(round(for_s * RATE_HZ)) / RATE_HZ
        edge = np.minimum(1.0, np.minimum(t, for_s - t) / EDGE_S)
        parts.append(0.8 * loud * edge * np.sin(2.0 * np.pi * hz * t))
    samples = (np.concatenate(parts) * 32767.0).astype("<i2")
    out = io.BytesIO()
    with wave.open(out, "wb") as f:
        f.setnchannels(1)
        f.setsampwidth(2)
        f.setframerate(RATE_HZ)
        f.writeframes(samples.tobytes())
    return out.getvalue()


class Sounds:
    """Plays cues and speaks lines; never waits, never fails."""

    def __init__(self, on: bool = True, speak: bool = False) -> None:
        self._on = on
        self._player = next((p for p in PLAYERS if shutil.which(p[0])), None) if on else None
        self._speaker = next((s for s in SPEAKERS if shutil.which(s[0])), None) if speak else None
        self.cannot_speak = speak and self._speaker is None
        self._running: list[subprocess.Popen[bytes]] = []

    def cue(self, name: str) -> None:
        """Let one cue be heard."""
        if not self._on:
            return
        if self._player is None:
            if sys.stdout.isatty():
                sys.stdout.write("\a" * BELLS[name])
                sys.stdout.flush()
            return
        self._feed(self._player, tone(name))

    def say(self, text: str) -> None:
        """Speak a line, if this computer can and was asked to."""
        if self._speaker is not None:
            self._feed(self._speaker, text.encode())

    def _feed(self, command: tuple[str, ...], data: bytes) -> None:
        self._running = [p for p in self._running if p.poll() is None]
        if len(self._running) > 3:
            return  # an ear takes no more at once
        with contextlib.suppress(OSError):
            quiet = subprocess.DEVNULL
            process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=quiet, stderr=quiet, start_new_session=True)
            self._running.append(process)
            if process.stdin is not None:
                process.stdin.write(data)
                process.stdin.close()
