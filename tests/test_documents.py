"""README, DEVELOPERS and the check that the build machine runs say the same, and what they name exists."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")


def setup_commands() -> list[str]:
    section = README[README.index("\n## Set up") : README.index("\n## Use")]
    blocks: list[str] = re.findall(r"```sh\n(.*?)```", section, re.DOTALL)
    return [line for block in blocks for line in block.splitlines()]


def test_there_are_exactly_two_set_up_commands() -> None:
    commands = setup_commands()
    assert len(commands) == 2
    assert commands[0].startswith("python3 -m venv .venv && ") and " evenflight demo " in commands[0].replace(
        "/", " "
    )
    assert commands[1].startswith("python3 -m venv .venv && ") and commands[1].endswith("-m pytest")


def test_the_build_machine_runs_the_test_command_of_the_readme() -> None:
    lines = (ROOT / ".ci" / "run").read_text("utf-8").splitlines()
    assert lines[0] == "#!/bin/sh"
    work = [line for line in lines if line and not line.startswith("#")]
    assert work == ["set -e", 'cd "$(dirname "$0")/.."', setup_commands()[1]]


def test_the_readme_tells_the_licences() -> None:
    text = " ".join(README.split())
    for words in ("Apache License 2.0", "GPL-3.0-or-later", "exiv2", "imageio-ffmpeg is a separate program"):
        assert words in text


@pytest.mark.parametrize("folder", ["grades", "deliveries"])
def test_the_readme_names_every_grade_and_delivery(folder: str) -> None:
    for path in (ROOT / "configs" / folder).glob("*.toml"):
        assert f"`{path.stem}`" in README


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_the_files_and_folders_that_are_named_exist(text: str) -> None:
    named = set(re.findall(r"`((?:pipeline|configs|tests|fixtures|\.ci)/[\w./-]*)`", text))
    assert named
    assert {name for name in named if not (ROOT / name).exists()} == set()


def test_the_settings_that_the_readme_names_exist() -> None:
    from pipeline.settings import Settings

    sections = "|".join(Settings.model_fields)
    for section, key in re.findall(rf"`({sections})\.(\w+)", README):
        if key in ("json", "html"):
            continue
        assert key in Settings.model_fields[section].annotation.model_fields, f"{section}.{key}"
