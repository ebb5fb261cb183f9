"""Lets ``python -m metafreeze`` run the command line."""

from __future__ import annotations

from metafreeze.cli.main import run

if __name__ == "__main__":
    run()
