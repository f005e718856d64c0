"""Settings: merging, where a value came from, and errors that name the remedy."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import UsageError
from pipeline.settings import Settings, configs_dir, load_settings, named_config, nearest


def test_defaults_are_the_shipped_configuration() -> None:
    configured = load_settings()
    assert configured.settings.encode.delivery == "1080p-h264"
    assert configured.origins["encode.grade"] == "default.toml"
    effective = configured.effective("balance", "stabilise")
    assert effective["balance.mode"] == {"value": "lock", "from": "default"}
    assert effective["stabilise.max_crop"] == {"value": 0.15, "from": "default.toml"}
    assert not any(key.startswith("encode.") for key in effective)


def test_later_sources_win_and_are_remembered(tmp_path: Path) -> None:
    file = tmp_path / "windy.toml"
    file.write_text("[balance]\ntint_duv = 0.01\ntemperature_k = 6500\n", "utf-8")
    configured = load_settings(str(file), ["balance.tint_duv=0.02"])
    assert configured.settings.balance.tint_duv == 0.02
    assert configured.settings.balance.temperature_k == 6500.0
    effective = configured.effective("balance")
    assert effective["balance.tint_duv"] == {"value": 0.02, "from": "--set"}
    assert effective["balance.temperature_k"] == {"value": 6500.0, "from": "windy.toml"}


@pytest.mark.parametrize(
    ("assignment", "value"),
    [("encode.fps=25", "25"), ("encode.fps=23.976", "23.976"), ("encode.fps='60'", "60")],
)
def test_a_rate_may_be_a_number(assignment: str, value: str) -> None:
    assert load_settings(None, [assignment]).settings.encode.fps == value


def test_lists_are_set_with_commas_or_as_toml() -> None:
    wanted = ("A_0001.DNG", "A_0002.DNG")
    for text in ("load.leave_out=A_0001.DNG, A_0002.DNG", "load.leave_out=['A_0001.DNG', 'A_0002.DNG']"):
        assert load_settings(None, [text]).settings.load.leave_out == wanted


@pytest.mark.parametrize(
    ("assignment", "message"),
    [
        ("stabilise.max_corp=0.1", "unknown setting 'stabilise.max_corp'; did you mean"),
        ("stabilize.max_crop=0.1", "did you mean 'stabilise.max_crop'?"),
        ("stabilise.max_crop=0.9", "bad value 0.9 for the setting 'stabilise.max_crop' (allowed: at least 0 "
         "and at most 0.5)"),
        ("stabilise.max_crop=wide", "'stabilise.max_crop' (allowed: at least 0 and at most 0.5)"),
        ("deflicker.keep_slower_than_s=0", "(allowed: more than 0 and at most 600)"),
        ("deflicker.keep_slower_than_s=nan", "'deflicker.keep_slower_than_s'"),
        ("encode.fps=31", "bad value '31' for the setting 'encode.fps' (allowed: '23.976', '24'"),
        ("balance.mode=locked", "(allowed: 'lock', 'frame', 'temperature', 'grey' or 'follow')"),
        ("report.position=perhaps", "bad value 'perhaps' for the setting 'report.position'"),
        ("max_crop=0.1", "'--set max_crop=0.1' is not of the form section.key=value"),
        ("stabilise.max_crop", "is not of the form section.key=value"),
    ],
)  # fmt: skip
def test_a_bad_assignment_is_explained(assignment: str, message: str) -> None:
    with pytest.raises(UsageError) as raised:
        load_settings(None, [assignment])
    assert message in str(raised.value)
    assert "\n" not in str(raised.value), "one sentence"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("max_crop = 0.1", "'max_crop' in mine.toml stands outside a [section]"),
        ("[stabilise]\nmax_corp = 0.1", "did you mean 'stabilise.max_crop'?"),
        ("[stabilise", "cannot read the configuration mine.toml"),
        ("[stabilise]\nmax_crop = 2", "(allowed: at least 0 and at most 0.5)"),
    ],
)
def test_a_bad_file_is_explained(tmp_path: Path, text: str, message: str) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(text, "utf-8")
    with pytest.raises(UsageError) as raised:
        load_settings(str(file))
    assert message in str(raised.value)


def test_an_unknown_name_gets_the_nearest_one() -> None:
    with pytest.raises(UsageError, match="unknown grade 'plian'; did you mean 'plain'"):
        named_config("grades", "plian", "grade")
    with pytest.raises(UsageError, match=r"unknown grade 'xyzzy'; known: .*plain"):
        named_config("grades", "xyzzy", "grade")


@pytest.mark.parametrize("name", ["../default", "", "absent.toml"])
def test_a_name_does_not_reach_outside_its_folder(name: str) -> None:
    with pytest.raises(UsageError, match="unknown grade"):
        named_config("grades", name, "grade")


def test_limits_are_not_a_configuration() -> None:
    assert (configs_dir() / "limits.toml").is_file()
    with pytest.raises(UsageError) as raised:
        load_settings("limitz")
    assert "limits" not in str(raised.value)


def test_every_setting_says_what_it_is() -> None:
    for section in Settings.model_fields.values():
        assert section.annotation is not None
        for name, field in section.annotation.model_fields.items():
            assert field.description, name


def test_nearest_lists_what_is_known_where_nothing_is_near() -> None:
    assert nearest("zzz", ["load", "balance"]) == "; known: balance, load"
