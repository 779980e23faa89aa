"""An integer that refuses to grow beyond what a 32-bit MicroPython holds without allocating: -2**30 to 2**30 - 1."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from evenbed_fw.settings import Settings

LARGEST = (1 << 30) - 1
SMALLEST = -(1 << 30)


class Small(int):
    """Behaves like int; raises OverflowError when an intermediate result would not be a small integer."""


def _guarded(name: str) -> Callable[..., Any]:
    plain = getattr(int, name)

    def operation(self: int, *others: int) -> Any:
        result = plain(self, *others)
        if result is NotImplemented:
            return result
        if not SMALLEST <= result <= LARGEST:
            raise OverflowError(f"{name} of {int(self)} and {others} leaves the small integers: {result}")
        return Small(result)

    return operation


for _name in ("add", "sub", "mul", "floordiv", "mod", "lshift", "rshift", "and", "or", "xor"):
    setattr(Small, f"__{_name}__", _guarded(f"__{_name}__"))
    setattr(Small, f"__r{_name}__", _guarded(f"__r{_name}__"))
for _name in ("neg", "abs", "pos"):
    setattr(Small, f"__{_name}__", _guarded(f"__{_name}__"))


def make_small(thing: object) -> None:
    """Turn every integer attribute of ``thing``, and every integer in its lists, into a Small."""
    for name, value in vars(thing).items():
        if isinstance(value, list) and all(isinstance(n, int) for n in value):
            setattr(thing, name, [Small(n) for n in value])
        elif type(value) is int:
            setattr(thing, name, Small(value))


def small_settings(settings: Settings | None = None) -> Settings:
    """Derived settings whose numbers are all Small, as the sampling loop meets them. The gains are left as they are:
    only what works out newtons, outside the loop, uses them, with large integers."""
    s = settings or Settings()
    gains = s.gain_mcounts_n, s.rated_mcounts_n
    make_small(s)
    s.gain_mcounts_n, s.rated_mcounts_n = gains
    return s
