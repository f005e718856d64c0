"""Every setting with its unit, default and bounds, and where its value came from."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from pipeline.errors import UsageError

FRAME_RATES = ("23.976", "24", "25", "29.97", "30", "50", "59.94", "60")

_HERE = Path(__file__).resolve().parent


def configs_dir() -> Path:
    """Return the folder of named configurations: inside the installed package, or beside it in a clone."""
    installed = _HERE / "configs"
    return installed if installed.is_dir() else _HERE.parent / "configs"


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


_Share = Annotated[float, Field(ge=0.0, le=1.0)]


def _rate_text(value: object) -> object:
    return f"{value:g}" if isinstance(value, int | float) and not isinstance(value, bool) else value


class LoadSettings(_Section):
    """Which photos of the card belong to the sequence."""

    leave_out: tuple[str, ...] = Field((), description="names of photos to drop; each is treated as missing")


class BalanceSettings(_Section):
    """Which neutral the sequence is rendered with."""

    mode: Literal["lock", "frame", "temperature", "grey", "follow"] = Field(
        "lock",
        description="lock: robust median of the as-shot neutrals; frame: the neutral of `frame`; "
        "temperature: `temperature_k` and `tint_duv`; grey: what `grey_box` of `grey_frame` shows is grey; "
        "follow: the neutral goes with slow change of the light, so that grey ground stays grey",
    )
    frame: int = Field(0, ge=0, description="frame whose neutral is used with mode = frame")
    temperature_k: float = Field(5500.0, ge=2000.0, le=20000.0, description="kelvin, with mode = temperature")
    tint_duv: float = Field(0.0, ge=-0.03, le=0.03, description="Duv, with mode = temperature")
    grey_frame: int = Field(0, ge=0, description="frame that shows something grey, with mode = grey")
    grey_box: tuple[_Share, _Share, _Share, _Share] = Field(
        (0.45, 0.45, 0.55, 0.55),
        description="left, top, right, bottom of the grey rectangle, as shares of the upright picture",
    )
    highlights: Literal["clip", "rebuild"] = Field(
        "clip",
        description="clip: channels end together at the common white; rebuild: a clipped channel is told "
        "from the others, and the shoulder keeps what lies above the white",
    )

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        left, top, right, bottom = self.grey_box
        if left >= right or top >= bottom:
            raise ValueError(
                "balance.grey_box must be left, top, right, bottom, with left < right, top < bottom"
            )
        return self


class DeflickerSettings(_Section):
    """What counts as flicker."""

    keep_slower_than_s: float = Field(
        2.0,
        gt=0.0,
        le=600.0,
        description="seconds of video: changes with a longer period are light and stay",
    )
    light: Literal["keep", "flatten", "follow"] = Field(
        "keep",
        description="keep: the slow change of light stays; flatten: it goes too; follow: `curve` takes its "
        "place",
    )
    curve: tuple[tuple[int, float], ...] = Field(
        (),
        description="with light = follow: [frame, EV] points that the light passes through, frames rising; "
        "level beyond the ends",
    )

    @model_validator(mode="after")
    def _curve_rises(self) -> DeflickerSettings:
        frames = [frame for frame, _ in self.curve]
        if frames != sorted(set(frames)):
            raise ValueError("the frames of deflicker.curve must rise")
        if self.light == "follow" and not self.curve:
            raise ValueError("deflicker.light = follow needs deflicker.curve, points of [frame, EV]")
        return self


class StabiliseSettings(_Section):
    """How far the steady camera may depart from the flown one."""

    max_crop: float = Field(0.15, ge=0.0, le=0.5, description="largest share of the width to crop")
    strength: float = Field(
        1.0, ge=0.0, le=1.0, description="share of the shake to take out, where the crop allows all of it"
    )
    turns: Literal["ease", "keep"] = Field(
        "ease", description="ease: a turn at a waypoint becomes an even one; keep: it stays as flown"
    )
    correct_lens: bool = Field(
        True, description="straighten what the lens bends, where DNG opcodes or the lens database tell it"
    )
    level_horizon: bool = Field(
        False, description="hold the horizon level, where the photos' attitude tells their roll"
    )
    even_speed: bool = Field(
        False, description="remap time so that the ground passes evenly; most frames are then made by flow"
    )


class EncodeSettings(_Section):
    """What is delivered."""

    grade: str = Field("plain", description="a name in configs/grades/, or a TOML file")
    grade_points: tuple[tuple[Annotated[int, Field(ge=0)], str], ...] = Field(
        (),
        description='[[frame, "grade"], ...]: the video begins with `grade` and changes evenly to each '
        "grade at its frame of the timeline",
    )
    delivery: str = Field(
        "1080p-h264",
        description="a name in configs/deliveries/, or a TOML file; several, with commas between, are made "
        "in one pass over the photos",
    )
    anchor: tuple[_Share, _Share] = Field(
        (0.5, 0.5),
        description="where in the steady view a delivery of another shape is cut: share of the free space "
        "on its left and above it",
    )
    timecode: str = Field(
        "00:00:00:00",
        pattern=r"^([01]\d|2[0-3]):[0-5]\d:[0-5]\d[:;]\d\d$",
        description="time code of the first frame, hh:mm:ss:ff (SMPTE ST 12-1; drop-frame at 29.97, 59.94)",
    )
    fps: Annotated[Literal[FRAME_RATES], BeforeValidator(_rate_text)] = Field(  # type: ignore[valid-type]
        "30", description="frames per second"
    )
    seconds: float | None = Field(
        None,
        gt=0.0,
        le=36000.0,
        description="wished length of the video, seconds: the standard rate that meets it within 3 % "
        "serves; else time is remapped at the rate `fps`",
    )
    reverse: bool = Field(False, description="show the last photo first")
    trim_start: int = Field(0, ge=0, description="frames of the timeline left off at the start (take-off)")
    trim_end: int = Field(0, ge=0, description="frames of the timeline left off at the end (braking)")
    fill_missing: Literal["flow", "hold"] = Field(
        "flow",
        description="flow: a missing photo is made from its neighbours where their motion agrees, else held; "
        "hold: the nearest photo is shown",
    )
    shutter_angle: float | None = Field(
        None,
        gt=0.0,
        le=360.0,
        description="degrees: motion blur is added as by a shutter open so many of 360 of an interval",
    )


class DiagnoseSettings(_Section):
    """What a diagnosis is told of the flight beside its photos."""

    write_s: float | None = Field(
        None, gt=0.0, le=600.0, description="seconds the camera takes to write one photo to its card"
    )
    subject: tuple[Annotated[int, Field(ge=0)], _Share, _Share, _Share, _Share] | None = Field(
        None,
        description="[frame, left, top, width, height] of what the flight is about, shares of the photo's "
        "width and height",
    )


class ReportSettings(_Section):
    """What the reports may tell."""

    position: bool = Field(
        False, description="write latitude, longitude, serial numbers and absolute paths into reports"
    )


class Settings(_Section):
    """All settings, by section. `--set section.key=value` sets one."""

    load: LoadSettings = LoadSettings()
    balance: BalanceSettings = BalanceSettings()
    deflicker: DeflickerSettings = DeflickerSettings()
    stabilise: StabiliseSettings = StabiliseSettings()
    encode: EncodeSettings = EncodeSettings()
    diagnose: DiagnoseSettings = DiagnoseSettings()
    report: ReportSettings = ReportSettings()


class Configured(BaseModel):
    """Settings together with the origin of each value that is not a default."""

    settings: Settings
    origins: dict[str, str]

    def effective(self, *sections: str) -> dict[str, dict[str, Any]]:
        """Return `{"section.key": {"value", "from"}}` for the named sections, as reports show them."""
        values = self.settings.model_dump(mode="json")
        return {
            f"{section}.{key}": {"value": value, "from": self.origins.get(f"{section}.{key}", "default")}
            for section in sections
            for key, value in values[section].items()
        }


def nearest(name: str, known: Iterable[str]) -> str:
    """Return `; did you mean 'x'?` for the known name most like `name`, or the list of known names."""
    names = sorted(known)
    close = difflib.get_close_matches(name, names, n=1, cutoff=0.5)
    return f"; did you mean '{close[0]}'?" if close else f"; known: {', '.join(names)}"


def named_config(folder: str, name: str, what: str) -> Path:
    """Return the TOML file called `name` in `configs/<folder>`, or the file at the path `name`.

    Raises UsageError with the nearest known name where there is neither.
    """
    directory = configs_dir() / folder
    candidate = directory / f"{name}.toml"
    if candidate.parent == directory and candidate.is_file():
        return candidate
    if name.endswith(".toml") and Path(name).is_file():
        return Path(name)
    known = [path.stem for path in directory.glob("*.toml") if path.stem != "limits"]
    raise UsageError(f"unknown {what} '{name}'{nearest(name, known)}")


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file; raise UsageError that names the file where it cannot be read."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise UsageError(f"cannot read the configuration {path.name}: {error}") from error


def load_settings(config: str | None = None, assignments: Sequence[str] = ()) -> Configured:
    """Merge `configs/default.toml`, the file or name `config`, and `section.key=value` assignments.

    Raises UsageError for an unknown setting (naming the nearest) or a value outside its bounds.
    """
    merged: dict[str, dict[str, Any]] = {}
    origins: dict[str, str] = {}
    for name in ("default", config):
        if name is not None:
            path = named_config(".", name, "configuration")
            for section, values in read_toml(path).items():
                if not isinstance(values, dict):
                    raise UsageError(f"'{section}' in {path.name} stands outside a [section]")
                _check_names(section, values)
                merged.setdefault(section, {}).update(values)
                origins.update({f"{section}.{key}": path.name for key in values})
    for assignment in assignments:
        section, key, value = _parse_assignment(assignment)
        merged.setdefault(section, {})[key] = value
        origins[f"{section}.{key}"] = "--set"
    try:
        settings = Settings.model_validate(merged)
    except ValidationError as error:
        raise UsageError(_explain(error)) from error
    return Configured(settings=settings, origins=origins)


def _section_models() -> dict[str, type[BaseModel]]:
    return {
        name: field.annotation
        for name, field in Settings.model_fields.items()
        if isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel)
    }


def _check_names(section: str, keys: Iterable[str]) -> None:
    models = _section_models()
    everything = [f"{name}.{key}" for name, model in models.items() for key in model.model_fields]
    for key in keys:
        if section not in models or key not in models[section].model_fields:
            raise UsageError(f"unknown setting '{section}.{key}'{nearest(f'{section}.{key}', everything)}")


def _parse_assignment(text: str) -> tuple[str, str, Any]:
    name, equals, raw = text.partition("=")
    section, dot, key = name.strip().partition(".")
    if not equals or not dot:
        raise UsageError(f"'--set {text}' is not of the form section.key=value")
    _check_names(section, [key])
    try:
        value = tomllib.loads(f"value = {raw.strip()}")["value"]
    except tomllib.TOMLDecodeError:
        value = raw.strip()
    annotation = str(_section_models()[section].model_fields[key].annotation)
    if isinstance(value, str) and annotation.startswith("tuple"):
        value = [part.strip() for part in value.split(",")]
    return section, key, value


def _explain(error: ValidationError) -> str:
    first = error.errors()[0]
    name = ".".join(str(part) for part in first["loc"][:2])
    context = first.get("ctx", {})
    bounds = {"ge": "at least", "gt": "more than", "le": "at most", "lt": "less than"}
    model = _section_models().get(str(first["loc"][0]))
    limits = ""
    if model is not None and len(first["loc"]) > 1:
        field = model.model_fields[str(first["loc"][1])]
        found = [
            f"{words} {getattr(item, bound):g}"
            for item in field.metadata
            for bound, words in bounds.items()
            if hasattr(item, bound)
        ]
        limits = f" (allowed: {' and '.join(found)})" if found else ""
    if "expected" in context:
        limits = f" (allowed: {context['expected']})"
    return f"bad value {first['input']!r} for the setting '{name}'{limits or ': ' + first['msg']}"
