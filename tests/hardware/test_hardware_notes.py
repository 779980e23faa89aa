"""The builder's notes say what the board's file, rig.toml and evenbed size say; their pictures, links and commands work."""

from __future__ import annotations

import json
import math
import re
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import click
import pytest
from evenbed.cli.main import main
from evenbed.commission import carriage, drawn, listened
from evenbed.job import proving
from evenbed_fw.settings import LOOP_US

from . import draw
from .facts import BOARD, HARDWARE, MODULE, RIG, ROOT, board, rig, sizes

NOTES = sorted(path for path in HARDWARE.glob("*.md") if path.name != "protocol.md")
TEXTS = {path.name: path.read_text(encoding="utf-8") for path in NOTES}
ALL = "\n".join(TEXTS.values())


def without_code(text: str) -> str:
    """The text without what stands in code marks."""
    return re.sub(r"```.*?```|`[^`]*`", "", text, flags=re.DOTALL)


# --- made by the script ----------------------------------------------------------------------------------------
@pytest.mark.parametrize("path", sorted(draw.made()), ids=lambda path: path.name)
def test_drawings_and_tables_are_what_the_script_makes(path: Path) -> None:
    assert path.read_text(encoding="utf-8") == draw.made()[path], "python -m tests.hardware.draw --write"


@pytest.mark.parametrize("name", draw.DRAWINGS)
def test_a_drawing_can_be_read_on_paper(name: str) -> None:
    root = ET.parse(HARDWARE / "drawings" / f"{name}.svg").getroot()
    width, height = float(root.attrib["width"]), float(root.attrib["height"])
    texts = [e for e in root.iter() if e.tag.endswith("}text")]
    assert len(texts) > 10
    for e in texts:
        px = float(e.attrib["font-size"])
        # A letter of this sans-serif is 0.51 of its size wide, bold a little more (measured on the pictures).
        wide = 0.54 * px * len(e.text or "")
        left = float(e.attrib["x"]) - {"start": 0.0, "middle": wide / 2, "end": wide}[e.attrib["text-anchor"]]
        assert px >= 11.0
        assert left >= 0.0 and left + wide <= width, e.text
        assert 0.0 < float(e.attrib["y"]) < height, e.text
    style = "".join(e.text or "" for e in root.iter() if e.tag.endswith("}style"))
    colours = set(re.findall(r"#([0-9a-f]+)", style))
    assert all(len(set(re.findall("..", c) if len(c) == 6 else c)) == 1 for c in colours), "greys only"


def pin_rows() -> dict[str, tuple[int, int | None]]:
    """Chip's and module's pin by name, read off the notes."""
    rows = re.findall(r"^\| GP(\d+) \| (\d+|–) \| `(\w+)` \|", TEXTS["wiring.md"], re.MULTILINE)
    return {name: (int(gp), None if place == "–" else int(place)) for gp, place, name in rows}


def test_the_pin_map_is_that_of_the_file_that_the_board_reads() -> None:
    pins: dict[str, int] = json.loads(BOARD.read_text(encoding="utf-8"))["pins"]
    assert {name: gp for name, (gp, _) in pin_rows().items()} == pins


def test_pins_of_the_module() -> None:
    """The module's published pin-out: eight grounds, every fifth pin; GP15 and GP16 face to face; VBUS last."""
    assert len(MODULE) == 40
    grounds = [i + 1 for i, what in enumerate(MODULE) if what in ("GND", "AGND")]
    assert grounds == [3, 8, 13, 18, 23, 28, 33, 38]
    at = {what: i + 1 for i, what in enumerate(MODULE)}
    assert [at[n] for n in (0, 15, 16, 22, 26, 28)] == [1, 20, 21, 29, 31, 34]
    assert [at[n] for n in ("RUN", "3V3", "VSYS", "VBUS")] == [30, 36, 39, 40]
    assert sorted(n for n in MODULE if isinstance(n, int)) == [*range(23), 26, 27, 28]
    for name, (gp, place) in pin_rows().items():
        assert (place is None) == (gp == 25), name
        assert place is None or MODULE[place - 1] == gp


# --- numbers ---------------------------------------------------------------------------------------------------
def size_quotes() -> list[tuple[str, str, str, str]]:
    """Name, value, bound and limit of every line of evenbed size that the notes quote."""
    number = r"[\d.]+(?: (?:N·m|N|mm|turns/s|1/N|1/s|Hz|A|ms|%))?"
    pattern = rf"\*([a-z][^*]+)\* ({number})(?:, (at least|at most) ({number}))?"
    return [m for text in TEXTS.values() for m in re.findall(pattern, re.sub(r"\s+", " ", text))]


def test_what_the_notes_say_that_evenbed_size_prints_is_what_it_prints() -> None:
    quotes = size_quotes()
    assert len(quotes) >= 35
    for name, value, bound, limit in quotes:
        printed, held_to = sizes()[name]
        assert value == printed, name
        if bound:
            assert f"{bound} {limit}" == held_to, name


def test_every_line_of_evenbed_size_that_a_part_can_fail_is_in_the_notes() -> None:
    quoted = {name for name, *_ in size_quotes()} | {name.lower() for name in re.findall(r"\*([^*\n]+)\*", ALL)}
    held = {name for name, (_, limit) in sizes().items() if limit != "-"}
    board_alone = {"rig's own limit", "top speed", "speed at the ceiling, 34 N/mm", "rise above the ceiling meanwhile"}
    time = {name for name in held if name.startswith("pull to ")}
    assert {name for name in held if name.lower() not in quoted} - board_alone - time == set()


def test_entries_of_rig_toml_are_quoted_as_they_are() -> None:
    quotes = re.findall(r"`(\w+)\.(\w+)` (-?[\d.]*\d|true|false|compression)", ALL.replace("\n", " "))
    own = [q for q in quotes if hasattr(rig(), q[0])]
    assert len(own) >= 30
    for table, key, said in own:
        value: Any = getattr(getattr(rig(), table), key)
        if isinstance(value, bool | str):
            assert said == str(value).lower(), f"{table}.{key}"
        else:
            assert float(said) == value, f"{table}.{key}"


def test_the_boards_file_is_quoted_as_it_is_and_follows_from_rig_toml() -> None:
    s, r = board()["settings"], rig()
    said = dict(re.findall(r"^\| `(?:settings\.)?(\w+)` \| (\d+) \|", TEXTS["wiring.md"], re.MULTILINE))
    assert said == {k: str(v) for k, v in {**s, **{k: board()[k] for k in ("end_steps", "dir_up", "enable_on")}}.items()}
    # Stepper on a screw: full steps x microsteps / lead; 200 x 16 / 2 mm = 1600 (any textbook).
    assert s["steps_mm"] == 200 * 16 / 2 == r.motor.full_steps * r.motor.microsteps / (r.screw.pitch_mm * r.screw.starts)
    # Bridge and converter data sheets: 2 mV/V at gain 128, ratiometric, give 4 294 967.296 counts at capacity.
    assert s["rated_mcounts_n"] / 1000 == int(4_294_967.296 / (50 * 9.80665))
    assert s["limit_most_mn"] == 1000 * r.limits.limit_n
    assert s["overrun_mn"] == 1000 * r.limits.overrun_n
    assert s["stiffest_n_mm"] == r.limits.stiffest_n_mm
    assert s["rate_max_steps_s"] == r.motion.speed_mm_s * s["steps_mm"]
    assert s["accel_steps_s2"] == r.motion.accel_mm_s2 * s["steps_mm"]
    braking = s["rate_max_steps_s"] ** 2 / (2 * s["accel_steps_s2"])
    assert braking <= board()["end_steps"] <= r.travel.overtravel_mm * s["steps_mm"]


def said(text: str, *numbers: str) -> None:
    """All of these stand in the text."""
    for number in numbers:
        assert number in text, number


def test_sums_of_the_power_page() -> None:
    """Ohm, energy of a capacitor and of a rotor, an exponential; the formulas of any physics textbook."""
    r, page = rig(), TEXTS["power.md"]
    u, amps = r.supply.volts, float(sizes()["supply current, most"][0].split()[0])
    c, bleeder = 2200e-6, 2200.0
    said(page, f"{1.25 * amps:.2f} A", f"{u / 5:.1f} A", f"{bleeder * c:.1f} s", f"{u * u / bleeder:.1f} W")
    said(page, f"after {bleeder * c * math.log(u / 5):.0f} s", f"{1000 * (u - 33 - 1.2) / 2700:.1f} mA")
    # Rotor as its data sheet has it, the screw's core as a steel cylinder, the carriage on the lead.
    w = 2 * math.pi * r.motion.speed_mm_s / r.screw.pitch_mm
    d = (r.screw.diameter_mm - r.screw.pitch_mm) / 1000
    screw = 7850 * math.pi * d**4 / 32 * r.screw.free_length_mm / 1000
    slide = r.motion.carriage_kg * (r.screw.pitch_mm / 1000 / (2 * math.pi)) ** 2
    e = (r.motor.rotor_inertia_g_cm2 * 1e-7 + screw + slide) * w * w / 2
    assert float(re.findall(r"hold ([\d.]+) J", page)[0]) == pytest.approx(e, abs=0.01)
    said(page, f"lifts {u:.0f} V to {math.sqrt(u * u + 2 * e / c):.0f} V")
    k = r.motor.holding_torque_nm / (math.sqrt(2) * r.motor.rated_current_a)
    said(page, f"{k:.2f} V per rad/s", f"give {k * 2 * 2 * math.pi:.1f} V")
    assert math.sqrt(u * u + 2 * e / c) < 60.0  # extra-low voltage, and what parts.md asks of drive and C1


def test_sums_of_wiring_mechanics_and_parts() -> None:
    r, wiring, mechanics = rig(), TEXTS["wiring.md"], TEXTS["mechanics.md"]
    # Copper 0.0172 ohm mm2/m, both wires of the excitation of a 350 ohm bridge.
    said(wiring, f"{100 * 2 * 0.0172 / 0.14 / 350:.2f} %", f"{3.3 / 2.2:.1f} mA")
    # High at 2.0 V of 3.3 V (the chip's data sheet), through both resistors.
    assert 0.2 < (2.2 + 0.47) * 0.1 * math.log(3.3 / 1.3) <= 0.3
    said(mechanics, f"{100 * (1 - math.cos(math.radians(2))):.2f} %")
    c = r.coupling
    pressed = c.acts_at_n / c.rate_n_mm
    said(mechanics, f"{pressed:.1f} mm", f"{pressed + c.room_mm:.1f} mm", f"{c.acts_at_n + c.rate_n_mm * c.room_mm:.0f} N")
    for factor in (0.9, 1.1):
        said(mechanics, f"{factor * c.acts_at_n:.0f} N ({factor * c.acts_at_n / 9.80665:.1f} kg)")
    said(TEXTS["parts.md"], f"{pressed:.1f} mm beforehand", f"good for {pressed + c.room_mm:.1f} mm")


def test_timing_that_the_notes_tell() -> None:
    """Converter's data sheet: 80 readings a second, the step of a load settled in 50 ms, so in four of them; 25 clocks a
    reading at gain 128; asleep after 60 us of a high clock. The pulse's length is the firmware's."""
    assert rig().converter.settling / rig().converter.rate_hz == 0.050
    said(TEXTS["parts.md"], "25 clocks a reading; gain 128")
    said(TEXTS["wiring.md"], "high for over 60 µs")
    source = (HARDWARE / "firmware" / "evenbed_pico" / "pio_steps.py").read_text(encoding="utf-8")
    found = re.search(r"HIGH_CYCLES = \d+  # a pulse is ([\d.]+) us long", source)
    assert found
    said(TEXTS["wiring.md"], f"Pulses are {found[1]} µs long")
    pause_us = 1e6 / board()["settings"]["rate_max_steps_s"] - float(found[1])
    assert pause_us > 5.0 and float(found[1]) > 5.0, "what parts.md asks of the drive"


def test_limits_that_the_notes_repeat_are_those_of_the_program() -> None:
    measured, power = TEXTS["measured.md"], TEXTS["power.md"]
    said(power, f"within {proving.SUPPLY_S:.0f} s", f"{drawn.HOLD_N:.0f} N, emergency stop, {drawn.DEAD_S:.0f} s")
    said(measured, f"within {listened.ZERO_N} N", f"within {100 * carriage.RULE_SHARE:.0f} %")
    said(measured, f"without power, {drawn.DEAD_S:.0f} s")
    said(measured, f"no more than {max(drawn.LOST_N, drawn.LOST_SHARE * drawn.HOLD_N):.0f} N lost")
    said(measured, f"{drawn.SOFT_N_MM:.0f} at least", f"its doubt and {LOOP_US / 1000:.0f} ms")
    said(measured, f"| check weight of 10 kg, 98 N | within {proving.WEIGHT_SHARE * 98:.0f} N |")


# --- commands, links, names ------------------------------------------------------------------------------------
def commands() -> list[str]:
    """Every command of ours in code marks."""
    inline = re.findall(r"`(evenbed [^`]+)`", ALL)
    blocks = [line for block in re.findall(r"```sh\n(.*?)```", ALL, re.DOTALL) for line in block.splitlines()]
    return sorted({c for c in (*inline, *blocks) if c.startswith("evenbed ")})


@pytest.mark.parametrize("command", commands())
def test_a_command_exists_with_its_options(command: str) -> None:
    words = command.split()[1:]
    found = main.commands.get(words[0])
    assert found is not None, f"no command {words[0]}"
    context = click.Context(found, info_name=words[0])
    known = {option for p in found.get_params(context) for option in p.opts}
    assert {w.partition("=")[0] for w in words if w.startswith("--")} <= known
    assert found.get_help(context)


def anchor(heading: str) -> str:
    """A heading's anchor, as the usual viewers of Markdown make it."""
    return re.sub(r"[^\w\- ]", "", heading.strip().lower()).replace(" ", "-")


@pytest.mark.parametrize("name", TEXTS)
def test_every_link_leads_somewhere(name: str) -> None:
    for target in re.findall(r"\]\(([^)]+)\)", TEXTS[name]):
        path, _, part = target.partition("#")
        assert "://" not in target
        there = (HARDWARE / path).resolve() if path else HARDWARE / name
        assert there.exists() and there.is_relative_to(ROOT), target
        if part:
            headings = re.findall(r"^#+ (.+)$", there.read_text(encoding="utf-8"), re.MULTILINE)
            assert part in [anchor(h) for h in headings], target


def test_everything_is_reached_from_the_index() -> None:
    linked = set(re.findall(r"\]\(([^)#]+)", TEXTS["README.md"]))
    assert {path.name for path in NOTES} - {"README.md"} <= linked
    assert {f"drawings/{name}.svg" for name in draw.DRAWINGS} <= linked
    assert {path.stem for path in (HARDWARE / "drawings").iterdir()} == set(draw.DRAWINGS)


def test_parts_are_named_by_what_they_do() -> None:
    """No makers: no marks, no part numbers but the chip's that the firmware is for, no names within a sentence."""
    plain = without_code(ALL)
    assert not re.search("[™®©]", plain)
    assert set(re.findall(r"\b(?=\w*[A-Za-z])[A-Z]+\d{3,}\w*\b|\b\d{3,}[A-Z]{2,}\d*\b", plain)) <= {"RP2040"}
    names = set(re.findall(r"(?<=[a-z,;] )[A-Z][a-z]{2,}\w*", plain))
    assert names <= {"Euler", "Schottky", "MicroPython"}, "a person's or a maker's name?"


def test_standards_are_named_and_none_is_claimed() -> None:
    page = TEXTS["power.md"]
    for name in ("IEC 60204-1", "ISO 13850", "ISO 13849-2", "ISO 13854", "IEC 61800-5-2", "ISO 14118"):
        assert re.search(rf"^\| {name}", page, re.MULTILINE), name
    assert "None of them is claimed." in page
    assert not re.search(r"\b(complies|compliant|conforms|certified)\b", ALL.replace("not what was certified", ""))


def test_notes_are_of_the_reference_rig() -> None:
    assert RIG.exists() and "rig.toml" in TEXTS["README.md"]
    assert all(f"![{a}]" in ALL for a in re.findall(r"!\[([^\]]+)\]", ALL))
