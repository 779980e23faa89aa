"""``evenbed trips``: what has stopped the head, with everything that led to it."""

from __future__ import annotations

import csv
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from evenbed.cli.trip_picture import stop_time, svg
from evenbed.cli.words import sentence
from evenbed.record import bundle as bundles
from evenbed.record.bundle import Bundle, BundleError
from evenbed.record.keeping import local_time
from evenbed.record.replay import ReplayError, replay
from evenbed.record.store import Store, StoreError, TripRow, folder
from evenbed.units import show_force

SHOWN_STATES = 8
MOST_SHOWN = 200  # characters of what is wrong with a record


def _words(name: str) -> str:
    return name.replace("_", " ")


class Refused(Exception):
    """What was asked for cannot be done; the text says why and what to do."""


class Trips:
    """The commands. Each returns its exit code: 0 done, 1 could not, 2 asked wrongly, 3 a replay that differs."""

    def __init__(self, records: Path | None, unit: str) -> None:
        self._where = folder(records)
        self._unit = unit

    # --- commands ------------------------------------------------------------------------------------------------
    def table(self) -> int:
        """Print the list."""
        return self._plainly(self._table)

    def show(self, number: int) -> int:
        """Print all about one."""
        return self._plainly(lambda: self._show(number))

    def plot(self, number: int, out: Path) -> int:
        """Draw one."""
        return self._plainly(lambda: self._plot(number, out))

    def replay(self, which: str) -> int:
        """Decide one again."""
        return self._plainly(lambda: self._replay(which))

    def export(self, number: int, file: Path, as_csv: bool) -> int:
        """Write one to a file."""
        return self._plainly(lambda: self._export(number, file, as_csv))

    # --- within ----------------------------------------------------------------------------------------------------
    def _plainly(self, deed: Callable[[], int]) -> int:
        try:
            return deed()
        except (Refused, StoreError, BundleError, ReplayError) as e:
            print(f"evenbed trips: {e}", file=sys.stderr)
        except OSError as e:
            print(f"evenbed trips: {e.filename}: {e.strerror}.", file=sys.stderr)
        except RecursionError:
            print("evenbed trips: this is no trip's record: it is nested deeper than any.", file=sys.stderr)
        except Exception as e:  # whatever may stand in a file that anybody has written
            what = f"{type(e).__name__}: {e}"[:MOST_SHOWN]
            print(f"evenbed trips: this record has been changed or damaged and cannot be read ({what}).", file=sys.stderr)
        return 1

    def _rows(self) -> list[TripRow]:
        store = self._store()
        if store is None:
            return []
        try:
            return store.trips()
        finally:
            store.close()

    def _store(self) -> Store | None:
        try:
            return Store(self._where, make=False)
        except FileNotFoundError:
            return None

    def _bundle(self, number: int) -> tuple[TripRow, Bundle]:
        rows = self._rows()
        row = next((r for r in rows if r.number == number), None)
        store = self._store()
        if row is None or store is None:
            there = f"There are {', '.join(str(r.number) for r in rows[-12:])}." if rows else "There is none yet."
            raise Refused(f"there is no trip {number} in {self._where}. {there}")
        try:
            return row, store.bundle(number)
        finally:
            store.close()

    def _force(self, value: float | None) -> str:
        return "unknown" if value is None else show_force(value, self._unit)

    def _table(self) -> int:
        rows = self._rows()
        if not rows:
            print(
                f"No trips in {self._where}: nothing has stopped the head since records are kept there.\n"
                "To see one:  evenbed simrig --fault '180N cell stuck'  in one terminal, a pull on its port in another."
            )
            return 0
        print(f"{'no.':>4}  {'when':<19}  {'what':<16}  {'head':<14}  {'force':>10}  {'ceiling':>10}  where")
        for r in rows:
            where = f"{r.port} (simulated)" if r.simulated else r.port
            print(
                f"{r.number:>4}  {local_time(r.wall):<19}  {_words(r.name):<16}  {_words(r.state):<14}  "
                f"{self._force(r.force_n):>10}  {self._force(r.ceiling_n):>10}  {where}"
            )
        print(f"More:  evenbed trips show {rows[-1].number}")
        return 0

    def _show(self, number: int) -> int:
        row, b = self._bundle(number)
        told = sentence(b["name"], b["says"], b["values"], b["words"], self._unit) or b["says"]
        print(f"Trip {number}: {_words(row.name)}, {local_time(row.wall)}, {row.port}")
        print(f"  {told}\n")
        for name, text in self._facts(b):
            print(f"  {name:<13}{text}")
        print(f"\nMore:  evenbed trips plot {number}, evenbed trips replay {number}, evenbed trips export {number} FILE")
        return 0

    def _facts(self, b: Bundle) -> list[tuple[str, str]]:
        fault, zero_s = b["fault"], stop_time(b)
        out = []
        if fault is not None:
            out.append(
                (
                    "first cause",
                    f"{_words(fault['name'])} at {self._force(fault['force_n'])} (from the reference zero), "
                    f"ceiling {self._force(fault['bound_n'])}, at {fault['position_mm']:.1f} mm, "
                    f"{fault['speed_mm_s'] + 0.0:.1f} mm/s",
                )
            )
            out.append(("later", ", ".join(map(_words, fault["later"])) or "nothing"))
        else:
            out.append(("first cause", f"{_words(b['name'])}; the board sent no record"))
        others = [name for _, name, _, values, *_ in b["events"] if "fault" in values and name != b["name"]]
        if others:
            out.append(("also told", ", ".join(map(_words, dict.fromkeys(others)))))
        out.append(
            ("head", f"{b['state'].replace('_', ' ')}, {self._force(b['force_n'])}, ceiling {self._force(b['ceiling_n'])}")
        )
        pull = b["pull"]
        if pull is not None:
            over = f", over-pull {100 * pull['over_pull']:.0f} %" if pull["over_pull"] else ""
            out.append(("pull", f"{self._force(pull['reference_n'])}, {pull['family']}{', woven' * pull['woven']}{over}"))
        entered = [f"{t_s - zero_s:+.2f} s {_words(state)}" for t_s, state in bundles.states(b)]
        out.append(("states", " · ".join(entered[-SHOWN_STATES:]) or "none"))
        v = b["versions"]
        crc = "unknown" if b["settings_crc"] is None else f"{b['settings_crc']:08x}"
        out.append(
            (
                "versions",
                f"program {v['program']}, firmware {v['firmware']}, protocol {v['protocol']}, Python {v['python']}",
            )
        )
        out.append(("board", f"settings {crc}, limit {self._limit(b)}"))
        span = b["lines"][-1][0] - b["lines"][0][0] if b["lines"] else 0.0
        whole = "from a moment of rest on" if b["whole"] else "its beginning is missing"
        sealed = "" if bundles.intact(b) else "; changed after it was recorded"
        out.append(("recorded", f"{len(b['lines'])} lines over {span:.1f} s, {whole}{sealed}"))
        return out

    def _limit(self, b: Bundle) -> str:
        return "unknown" if b["limits"] is None else self._force(b["limits"]["limit_mn"] / 1000.0)

    def _plot(self, number: int, out: Path) -> int:
        _, b = self._bundle(number)
        out.write_text(svg(b, number, self._unit))
        print(f"A picture of trip {number}: {out}")
        return 0

    def _replay(self, which: str) -> int:
        if which.isdecimal():
            _, b = self._bundle(int(which))
        else:
            b = bundles.read(Path(which))
        r = replay(b)
        print(f"{r.lines} lines of the board fed to the head again; it sent {r.sent} lines, {r.same_sent} as recorded.")
        print(f"  stops   {', '.join(map(_words, r.stops)) or 'none'}")
        print(f"  states  {', '.join(map(_words, r.states)) or 'none'}")
        if r.same:
            print("The same verdict.")
            return 0
        print("NOT the same verdict:")
        for line in r.differences:
            print(f"  {line}")
        return 3

    def _export(self, number: int, file: Path, as_csv: bool) -> int:
        _, b = self._bundle(number)
        rows: list[dict[str, Any]] = bundles.sample_rows(b)
        if as_csv:
            if not rows:
                raise Refused(f"trip {number} has no readings; without --csv everything else is written.")
            with file.open("w", newline="") as f:
                writer = csv.DictWriter(f, rows[0].keys())
                writer.writeheader()
                writer.writerows(rows)
        else:
            file.write_text(json.dumps({**b, "samples": rows}, indent=1))
        print(f"Trip {number}: {len(rows)} readings{'' if as_csv else ' and all that was recorded'} in {file}")
        return 0
