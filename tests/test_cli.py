"""The commands: what they call, print and return. The work itself is replaced where it is not the point."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner, Result

from pipeline.cli import app
from pipeline.errors import EvenflightError
from pipeline.run import commands
from pipeline.run.workshop import Outcome
from tests.small_photos import write_jpeg

PHOTOS = 12


def evenflight(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


@pytest.fixture
def card(tmp_path: Path) -> Path:
    """A small card: one flight of 12 photos, the sixth missing and the tenth torn."""
    folder = tmp_path / "card"
    for number in range(PHOTOS + 1):
        if number != 5:
            write_jpeg(folder / "DCIM" / "100SALT" / f"HERN{number:04}.JPG", 2.0 * number, seed=number)
    torn = folder / "DCIM" / "100SALT" / "HERN0009.JPG"
    torn.write_bytes(torn.read_bytes()[:-200])
    return folder


@pytest.fixture
def calls(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> list[dict[str, Any]]:
    """Replace the work by notes of how it was asked for; one photo is left out."""
    noted: list[dict[str, Any]] = []
    outcome = Outcome(
        "20260501-100000_HERN0000",
        tmp_path / "out" / "20260501-100000_HERN0000",
        videos=[tmp_path / "out" / "20260501-100000_HERN0000" / "a video [with brackets].mp4"],
        left_out=[("DCIM/100SALT/HERN0009.JPG", "the data end early")],
        warnings=["frame 3 was much brighter"],
        seconds={"measure": 1.5},
    )

    def run_card(card: Path, out: Path, configured: Any, *, progress: Any, **more: Any) -> list[Outcome]:
        progress.begin("a flight", "measure", 3)
        progress.advance()
        progress.end()
        progress.say("a remark [not markup]")
        noted.append({"card": card, "out": out, "settings": configured.settings, **more})
        return [outcome]

    def again(folder: Path, *names: Any, progress: Any, **more: Any) -> Outcome:
        noted.append({"folder": folder, "settings": names[-1].settings, "names": names[:-1], **more})
        return outcome

    monkeypatch.setattr(commands, "run_card", run_card)
    monkeypatch.setattr(commands, "run_stage", again)
    monkeypatch.setattr(commands, "regrade", again)

    def proof(folder: Path, configured: Any, *, progress: Any, **more: Any) -> Path:
        noted.append({"folder": folder, "settings": configured.settings, "proof": True, **more})
        return tmp_path / "a sheet.png"

    monkeypatch.setattr(commands, "proof", proof)
    return noted


def test_help_names_every_command() -> None:
    shown = evenflight("--help").stdout
    for name in ("list", "run", "regrade", "stage", "demo"):
        assert re.search(rf"\b{name}\b", shown)


def test_help_shows_every_word_of_the_options() -> None:
    """A word in square brackets is a style to the printer of tables, and would not be seen."""
    group: Any = typer.main.get_command(app)
    assert group.commands
    for name, command in group.commands.items():
        shown = CliRunner().invoke(app, [name, "--help"], env={"COLUMNS": "300"}).stdout
        for option in command.params:
            told = getattr(option, "help", None)
            assert told is None or " ".join(told.split()) in " ".join(shown.split()), (name, option.name)


def test_list_shows_the_sequences(card: Path) -> None:
    shown = evenflight("list", card)
    assert shown.exit_code == 0
    assert "20260501-100000_HERN0000" in shown.stdout
    assert "HERN0009.JPG" in shown.stdout


def test_list_as_json_prints_facts_only(card: Path) -> None:
    facts = json.loads(evenflight("list", card, "--json").stdout)
    (sequence,) = facts["sequences"]
    assert sequence["frames"] == 13 and sequence["photos"] == 11
    assert sequence["gaps"] == [5]
    assert [item["frame"] for item in sequence["trouble"]] == [9]
    assert sequence["interval_s"] == pytest.approx(2.0)
    assert sequence["seconds_at_25"] == 0.52
    assert facts["singles"] == []
    assert str(card) not in json.dumps(facts), "no absolute paths"


def test_list_leaves_the_card_as_it_was(card: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in card.rglob("*")}
    evenflight("list", card)
    assert {path: path.stat().st_mtime_ns for path in card.rglob("*")} == before


def test_list_takes_settings(card: Path) -> None:
    facts = json.loads(evenflight("list", card, "--json", "--set", "load.leave_out=HERN0003.JPG").stdout)
    assert [item["frame"] for item in facts["sequences"][0]["trouble"]] == [3, 9]


def test_run_names_photos_left_out_at_the_end_with_status_3(
    card: Path, tmp_path: Path, calls: list[dict[str, Any]]
) -> None:
    shown = evenflight(
        "run", card, "-o", tmp_path / "out", "--sequence", "a", "--workers", 2, "--set", "encode.fps=25"
    )
    assert shown.exit_code == 3
    lines = shown.stdout.splitlines()
    assert lines[0].endswith("a video [with brackets].mp4")
    assert lines[1].endswith("frame 3 was much brighter")
    assert lines[-1].endswith("left out DCIM/100SALT/HERN0009.JPG: the data end early")
    assert "a remark [not markup]" in shown.stderr
    (call,) = calls
    assert (call["sequence"], call["workers"], call["settings"].encode.fps) == ("a", 2, "25")


def test_strict_makes_a_photo_left_out_a_failure(
    card: Path, tmp_path: Path, calls: list[dict[str, Any]]
) -> None:
    shown = evenflight("run", card, "-o", tmp_path / "out", "--strict")
    assert shown.exit_code == 1
    assert "left out DCIM/100SALT/HERN0009.JPG: the data end early" in shown.stdout


def test_run_as_json_prints_facts_only(card: Path, tmp_path: Path, calls: list[dict[str, Any]]) -> None:
    shown = evenflight("run", card, "-o", tmp_path / "out", "--json")
    assert shown.exit_code == 3
    (outcome,) = json.loads(shown.stdout)["outcomes"]
    assert outcome["left_out"] == [{"file": "DCIM/100SALT/HERN0009.JPG", "why": "the data end early"}]
    assert outcome["seconds"] == {"measure": 1.5}


def test_regrade_sets_the_grade(tmp_path: Path, calls: list[dict[str, Any]]) -> None:
    evenflight("regrade", tmp_path, "--grade", "soft-haze", "--card", tmp_path / "moved")
    assert calls[0]["settings"].encode.grade == "soft-haze"
    assert calls[0]["card"] == tmp_path / "moved"


def test_a_named_grade_holds_for_the_whole_video(tmp_path: Path, calls: list[dict[str, Any]]) -> None:
    evenflight("regrade", tmp_path, "--grade", "soft-haze")
    assert calls[0]["settings"].encode.grade_points == ()
    points = 'encode.grade_points=[[9, "plain"]]'
    evenflight("regrade", tmp_path, "--grade", "soft-haze", "--set", points)
    assert calls[1]["settings"].encode.grade_points == ((9, "plain"),)


def test_compare_and_preview_do_not_render(tmp_path: Path, calls: list[dict[str, Any]]) -> None:
    shown = evenflight("regrade", tmp_path, "--compare", "plain,soft-haze", "--frames", "4")
    assert shown.stdout.strip().endswith("a sheet.png")
    assert (calls[0]["proof"], calls[0]["compare"], calls[0]["frames"]) == (True, "plain,soft-haze", 4)
    shown = evenflight("regrade", tmp_path, "--preview", "--grade", "soft-haze", "--json")
    assert json.loads(shown.stdout) == {"file": str(tmp_path / "a sheet.png")}
    assert (calls[1]["compare"], calls[1]["settings"].encode.grade) == (None, "soft-haze")


@pytest.mark.parametrize(("name", "status"), [("look.ccc", 0), ("look.txt", 2)])
def test_the_cdl_of_a_grade_is_written(tmp_path: Path, name: str, status: int) -> None:
    shown = evenflight("regrade", tmp_path, "--grade", "soft-haze", "--write-cdl", tmp_path / name)
    assert shown.exit_code == status
    if status == 0:
        assert '<ColorCorrection id="soft-haze">' in (tmp_path / name).read_text()
    else:
        assert "it ends in .cc, .ccc or .cdl" in shown.stderr


def test_stage_passes_its_name(tmp_path: Path, calls: list[dict[str, Any]]) -> None:
    evenflight("stage", "deflicker", tmp_path, "--set", "deflicker.keep_slower_than_s=4")
    assert calls[0]["names"] == ("deflicker",)
    assert calls[0]["settings"].deflicker.keep_slower_than_s == 4.0


@pytest.mark.parametrize(("right", "status"), [(True, 0), (False, 1)])
def test_the_demo_is_judged_by_its_truth(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, calls: list[dict[str, Any]], right: bool, status: int
) -> None:
    from pipeline.demo import card as demo_card
    from pipeline.demo import check as demo_check

    written = demo_card.DemoCard(tmp_path / "card", tmp_path / "truth.json")
    checks = [demo_check.Check("card", "sequences", "2", "2 [sic]", right)]
    monkeypatch.setattr(demo_card, "write_demo", lambda directory, **_: written)
    monkeypatch.setattr(demo_check, "check_outcomes", lambda truth, outcomes: checks)
    shown = evenflight("demo", tmp_path)
    assert shown.exit_code == status, "whatever was left out: that belongs to the demo"
    assert "2 [sic]" in shown.stdout and ("WRONG" in shown.stdout) is not right
    assert calls[0]["card"] == written.card and calls[0]["out"] == tmp_path / "out"
    assert json.loads(evenflight("demo", tmp_path, "--json").stdout)["checks"][0]["ok"] is right


@pytest.mark.parametrize("inside", ["", "results", "DCIM/../results/deep"])
def test_the_output_must_not_lie_on_the_card(card: Path, inside: str) -> None:
    before = sorted(card.rglob("*"))
    shown = evenflight("run", card, "-o", card / inside)
    assert shown.exit_code == 2
    assert "lies on the card" in shown.stderr
    assert sorted(card.rglob("*")) == before


@pytest.mark.skipif(os.name == "nt", reason="links need rights on Windows")
def test_a_link_does_not_hide_that_the_output_lies_on_the_card(card: Path, tmp_path: Path) -> None:
    before = sorted(card.rglob("*"))
    (tmp_path / "elsewhere").symlink_to(card / "DCIM")
    assert evenflight("run", card, "-o", tmp_path / "elsewhere" / "out").exit_code == 2
    assert sorted(card.rglob("*")) == before


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (["list", "{tmp}/nowhere"], 2, "nowhere"),
        (["list", "{tmp}/empty"], 2, "no photographs"),
        (["list", "{card}", "--set", "stabilise.max_corp=1"], 2, "did you mean 'stabilise.max_crop'"),
        (["run", "{card}", "-o", "{tmp}/out", "--set", "stabilise.max_crop=2"], 2, "at most 0.5"),
        (["run", "{card}", "-o", "{tmp}/out", "--set", "encode.grade=plian"], 2, "did you mean 'plain'"),
        (["run", "{card}", "-o", "{tmp}/out", "--sequence", "x"], 2, "no sequence 'x'"),
        (["run", "{few}", "-o", "{tmp}/out"], 1, "10 photos or more"),
        (["stage", "develop", "{tmp}/out"], 2, "unknown stage 'develop'"),
        (["stage", "balance", "{tmp}/empty"], 2, "{tmp}/empty"),
        (["regrade", "{tmp}/empty", "--grade", "plain"], 2, "{tmp}/empty"),
    ],
)  # fmt: skip
def test_bad_input_is_one_clear_sentence(
    card: Path, tmp_path: Path, arguments: list[str], status: int, words: str
) -> None:
    (tmp_path / "empty").mkdir()
    for number in range(4):
        write_jpeg(tmp_path / "few" / f"HERN{number:04}.JPG", 2.0 * number, seed=number)
    names = {"tmp": tmp_path, "card": card, "few": tmp_path / "few"}
    shown = evenflight(*(argument.format(**names) for argument in arguments))
    assert shown.exit_code == status
    assert words.format(**names) in shown.stderr
    message = [line for line in shown.stderr.splitlines() if line.startswith("evenflight: ")]
    assert len(message) == 1 and shown.stdout == ""
    assert "Traceback" not in shown.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "arguments",
    [["list"], ["run", "card"], ["regrade", "x"], ["fly"], ["run", "a", "-o", "b", "--workers", "0"]],
)
def test_wrong_usage_is_status_2(arguments: list[str]) -> None:
    assert evenflight(*arguments).exit_code == 2


def test_work_that_cannot_be_done_is_status_1(
    card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: Any, **__: Any) -> list[Outcome]:
        raise EvenflightError("no photo of the flight can be opened")

    monkeypatch.setattr(commands, "run_card", fail)
    shown = evenflight("run", card, "-o", tmp_path / "out")
    assert shown.exit_code == 1
    assert shown.stderr.splitlines()[-1] == "evenflight: no photo of the flight can be opened"


def test_an_interruption_is_told_without_a_traceback(
    card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt(*_: Any, **__: Any) -> list[Outcome]:
        raise KeyboardInterrupt

    monkeypatch.setattr(commands, "run_card", interrupt)
    shown = evenflight("run", card, "-o", tmp_path / "out")
    assert shown.exit_code == 130
    assert "interrupted" in shown.stderr and "Traceback" not in shown.stderr


def test_a_mistake_of_ours_is_not_hidden(card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def mistake(*_: Any, **__: Any) -> list[Outcome]:
        raise ZeroDivisionError

    monkeypatch.setattr(commands, "run_card", mistake)
    assert isinstance(evenflight("run", card, "-o", tmp_path / "out").exception, ZeroDivisionError)


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys\nfrom pipeline.cli import app\ntry: app(['--help'])\nexcept SystemExit: pass\n"
        "print('LOADED', *{name.split('.')[0] for name in sys.modules})"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout[done.stdout.index("LOADED") :].split())
    assert {"typer", "rich"} <= loaded
    assert not loaded & {"numpy", "cv2", "rawpy", "scipy", "plotly", "pydantic", "jinja2", "exiv2", "av"}
