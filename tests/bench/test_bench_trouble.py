"""What the page says when the board, the control process or the bench server is gone, and in a stop."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from bench_page import LONG_MS, Screen, check_access

pytest.importorskip("starlette", reason="evenbed[bench] is not installed")
pytest.importorskip("playwright", reason="playwright is not installed")

# Every different text of the element from now on, with its time, s.
WATCH = """(id) => {
  const said = (window.said = []), e = document.getElementById(id);
  const note = () => { if (said.at(-1)?.[1] !== e.textContent) said.push([performance.now() / 1000, e.textContent]); };
  new MutationObserver(note).observe(e, { childList: true, characterData: true, subtree: true });
  note();
}"""


def children(of: int) -> Iterator[tuple[int, str]]:
    """Processes started by this one, and by those: number and command line."""
    for task in Path(f"/proc/{of}/task").iterdir():
        for pid in map(int, (task / "children").read_text().split()):
            yield pid, Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode()
            yield from children(pid)


def kill(page_of: str, started_by: int = 0) -> None:
    """Kill, without a word, what this test's server has started by that name."""
    (pid,) = [pid for pid, line in children(started_by or os.getpid()) if page_of in line and "bench_served" not in line]
    os.kill(pid, signal.SIGKILL)


def to_the_hold(screen: Screen) -> None:
    screen.try_a_pull()
    screen.page.wait_for_selector('#say:has-text("Held at")', timeout=LONG_MS)


def picture(screen: Screen, name: str) -> None:
    """Keep what is seen, where somebody wants to look at it."""
    if where := os.environ.get("EVENBED_PICTURES"):
        screen.page.screenshot(path=f"{where}/{name}.png")


def test_a_board_that_is_gone_is_the_word_and_nothing_is_armed(
    serve: Callable[..., str], open_screen: Callable[..., Screen]
) -> None:
    screen = open_screen(serve())
    page = screen.page
    to_the_hold(screen)
    kill("simrig")
    screen.word("no board")
    says = page.text_content("#say")
    assert "The board has been silent for" in says and "freezes and holds" in says and "hold the pedal" in says
    page.wait_for_selector("#stop:disabled")
    assert not screen.shows("#arm") and not screen.shows("#latest") and page.text_content("#force") == "– – –"
    page.keyboard.press("Escape")
    page.wait_for_selector('#said:has-text("silent")', state="attached")
    picture(screen, "1-no-board")
    check_access(screen)
    page.set_viewport_size({"width": 360, "height": 640})
    page.wait_for_timeout(150)
    says_box, hands_box = page.locator("#say").bounding_box(), page.locator("#hands").bounding_box()
    assert says_box["y"] + says_box["height"] <= hands_box["y"]  # all of it is seen without scrolling
    picture(screen, "1-no-board-small")
    page.reload()
    screen.word("no board")
    assert "hold the pedal" in page.text_content("#say") and not screen.errors


def test_a_board_that_comes_back_is_heard_again(serve: Callable[..., str], open_screen: Callable[..., Screen]) -> None:
    screen = open_screen(serve("--fault", "150N board off for 3s"))
    page = screen.page
    screen.try_a_pull()
    screen.word("no board")
    page.wait_for_selector("#trip:not([hidden])", timeout=LONG_MS)  # it has frozen by itself, and says why
    page.wait_for_selector('#trip-state:has-text("still pulls")')
    page.click("#trip-down:enabled")
    page.wait_for_selector('#trip[data-loaded="false"]', timeout=LONG_MS)
    page.click("#trip-clear")
    screen.word("arm")
    page.wait_for_selector("#latest", state="hidden")  # the stop is over, and with it what was to be done about it
    assert not screen.errors


def test_a_control_process_that_has_ended_is_the_word_and_no_force_is_shown(
    serve: Callable[..., str], open_screen: Callable[..., Screen]
) -> None:
    screen = open_screen(serve())
    page = screen.page
    to_the_hold(screen)
    kill("evenbed.control.process")
    screen.word("ended")
    says = page.text_content("#say")
    assert "control process has ended" in says and "freezes and holds" in says
    assert "hold the pedal" in says and "begin again" in says
    assert page.text_content("#force") == "– – –" and "readings fresh" not in page.text_content("#quiet-facts")
    page.wait_for_selector("#stop:disabled")
    page.wait_for_selector("#let-down:disabled")
    picture(screen, "2-ended")
    check_access(screen)
    page.click("#settings summary")
    page.click("#leave")
    page.wait_for_selector("#try:enabled")  # and it can begin anew
    page.click("#try")
    screen.word("arm")
    page.wait_for_selector("#stop:enabled")
    assert not screen.errors


def test_what_is_said_of_a_string_whose_cell_tells_nonsense_is_calm_and_not_slack(
    serve: Callable[..., str], open_screen: Callable[..., Screen]
) -> None:
    screen = open_screen(serve("--fault", "180N+4s cell garbage"))
    page = screen.page
    to_the_hold(screen)
    page.wait_for_selector("#trip:not([hidden])", timeout=LONG_MS)
    page.evaluate(WATCH, "trip-state")
    page.wait_for_timeout(8000)
    said = page.evaluate("window.said")
    assert not any("slack" in words for _, words in said), said
    assert any("not known" in words for _, words in said)
    assert len(said) <= 4, said
    picture(screen, "3-nonsense")
    assert not screen.errors


@pytest.mark.parametrize(("fault", "why"), [("estop on", "emergency stop is pressed"), ("supply off", "has no supply")])
def test_without_power_the_button_is_off_and_says_why(
    serve: Callable[..., str], open_screen: Callable[..., Screen], fault: str, why: str
) -> None:
    screen = open_screen(serve("--fault", f"180N+4s {fault} for 8s"))
    page = screen.page
    to_the_hold(screen)
    page.wait_for_selector("#trip-down:disabled", timeout=LONG_MS)
    assert why in page.text_content("#trip-no-way") and "hand knob" in page.text_content("#trip-no-way")
    picture(screen, f"4-{fault.split()[0]}")
    check_access(screen)
    page.wait_for_selector('#trip-no-way:has-text("Hold it to let the string down")', timeout=LONG_MS)
    assert page.is_disabled("#trip-down")  # the drive stays off until the pedal says otherwise
    page.wait_for_timeout(200)
    page.keyboard.down("Space")
    page.wait_for_selector("#trip-no-way", state="hidden", timeout=LONG_MS)
    page.wait_for_selector('#trip[data-loaded="false"]', timeout=LONG_MS)
    page.keyboard.up("Space")
    assert not screen.errors


def test_a_server_that_is_gone_leaves_the_way_down_and_no_button(
    serve: Callable[..., str], open_screen: Callable[..., Screen]
) -> None:
    screen = open_screen(serve())
    page = screen.page
    to_the_hold(screen)
    kill_server()
    screen.word("no link")
    says = page.text_content("#say")
    assert "hold the pedal" in says and "emergency stop" in says and "hand knob" in says
    page.wait_for_selector("#stop:disabled")
    assert page.locator("#hands button:visible:enabled, #take:visible:enabled").count() == 0
    picture(screen, "5-no-link")
    check_access(screen)


def test_a_server_that_is_gone_in_a_stop_says_so_over_the_stop(
    serve: Callable[..., str], open_screen: Callable[..., Screen]
) -> None:
    screen = open_screen(serve("--fault", "150N cell stuck"))
    page = screen.page
    screen.try_a_pull()
    page.wait_for_selector("#trip:not([hidden])", timeout=LONG_MS)
    kill_server()
    page.wait_for_selector('#trip-state:has-text("hold the pedal")')
    assert page.locator("#trip button:visible:enabled").count() == 0
    picture(screen, "5-no-link-in-a-stop")


def kill_server() -> None:
    (pid,) = [pid for pid, line in children(os.getpid()) if "bench_served" in line]
    os.kill(pid, signal.SIGKILL)


def test_why_the_head_has_stopped_stays_until_the_stop_is_over(
    serve: Callable[..., str], open_screen: Callable[..., Screen]
) -> None:
    screen = open_screen(serve("--fault", "180N+4s motor off"))
    page = screen.page
    to_the_hold(screen)
    page.wait_for_timeout(4500)
    page.click("#let-down")
    screen.word("stopped")
    page.wait_for_selector('#say:has-text("turn the hand knob")')
    page.wait_for_timeout(2000)
    assert "the motor stands still" in page.text_content("#say") and "Tap" not in page.text_content("#say")
    assert not screen.shows("#latest")  # nor anything else beside it
    picture(screen, "6-dead-motor")
    check_access(screen)
    screen.tap()  # it is tried again, in vain
    screen.word("let off")
    screen.word("stopped")
    assert "the motor stands still" in page.text_content("#say")
    page.reload()
    screen.word("stopped")
    assert "the motor stands still" in page.text_content("#say") and not screen.errors
