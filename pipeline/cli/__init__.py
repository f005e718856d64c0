"""The commands: parse, call, print. What a command does not use it does not import."""

from __future__ import annotations

import signal

from pipeline.cli import flights, plan
from pipeline.cli.common import app, terminate

__all__ = ["app", "flights", "main", "plan"]


def main() -> None:
    """Run the command line."""
    signal.signal(signal.SIGTERM, terminate)
    app()
