"""Fingerprints: what a result was made from, so that a rerun repeats only what changed."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from pydantic import BaseModel

from pipeline.sequence import Sequence


def _plain(value: Any) -> Any:
    return value.model_dump(mode="json") if isinstance(value, BaseModel) else str(value)


def fingerprint(*parts: Any) -> str:
    """Return a short digest of JSON-like parts, settings and records; equal parts give equal digests."""
    text = json.dumps(parts, sort_keys=True, default=_plain, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:24]


def photos_fingerprint(sequence: Sequence) -> str:
    """Return a digest of the photos: their places, names, sizes and times of change, not their pixels."""
    facts = [(f.frame, f.file, f.size_bytes, f.modified_ns, f.state) for f in sequence.frames]
    return fingerprint(facts, sequence.interval_s, sequence.focal_px)
