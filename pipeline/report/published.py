"""The published JSON Schemas, each written from its model: `python -m pipeline.report.published`."""

from __future__ import annotations

from pathlib import Path

from pydantic import BaseModel

from pipeline.corrections import Corrections
from pipeline.report.diagnose import Diagnosis
from pipeline.report.schema import Report, as_json, write_text

PUBLISHED: dict[str, type[BaseModel]] = {
    "report.schema.json": Report,
    "corrections.schema.json": Corrections,
    "diagnosis.schema.json": Diagnosis,
}
"""Every published schema: its file beside this module, and the model that it describes."""


def schema_text(model: type[BaseModel]) -> str:
    """Return the JSON Schema (draft 2020-12) of what `model` writes, as the text of its published file."""
    schema = model.model_json_schema(by_alias=True, mode="serialization")
    return as_json({"$schema": "https://json-schema.org/draft/2020-12/schema", **schema})


def write_schemas(folder: Path) -> None:
    """Write all published schemas to `folder`. Raises EvenflightError where one cannot be written."""
    for name, model in PUBLISHED.items():
        write_text(folder / name, schema_text(model))


if __name__ == "__main__":
    write_schemas(Path(__file__).parent)
