"""Progress on stderr, and the short forms of numbers."""

from __future__ import annotations

import pytest

from pipeline.console.terminal import Terminal, spans


@pytest.mark.parametrize(
    ("numbers", "text"),
    [([], ""), ([4], "4"), ([3, 5, 6, 7], "3, 5-7"), ([0, 1, 3, 4], "0-1, 3-4")],
)
def test_frames_are_listed_briefly(numbers: list[int], text: str) -> None:
    assert spans(numbers) == text


def test_progress_shows_each_step_and_remark_on_stderr(capsys: pytest.CaptureFixture[str]) -> None:
    with Terminal() as terminal:
        terminal.say("two sequences [not markup]")
        terminal.begin("a-flight", "measure", 4)
        terminal.advance(2)
        terminal.end()
        terminal.begin("a-flight", "render", 3)
        terminal.advance()
        terminal.end()
    shown = capsys.readouterr()
    assert shown.out == ""
    assert "two sequences [not markup]" in shown.err
    assert "a-flight  measure" in shown.err and "4/4" in shown.err
    assert "a-flight  render" in shown.err and "3/3" in shown.err


def test_a_command_without_work_shows_no_bars(capsys: pytest.CaptureFixture[str]) -> None:
    with Terminal():
        pass
    assert capsys.readouterr().err == ""
