"""``python -m liveassist``, and ``python3 liveassist`` in a checkout that is not installed."""

from __future__ import annotations

import sys
from pathlib import Path


def _make_importable() -> None:
    """Started as a folder (``python3 liveassist``), Python puts the folder itself on the path;
    put the folder that holds the package there instead, so that ``import liveassist`` works.

    A checkout whose dependencies are not installed yet would set itself up here.
    """
    package = Path(__file__).resolve().parent
    sys.path[:] = [entry for entry in sys.path if Path(entry or ".").resolve() != package]
    sys.path.insert(0, str(package.parent))


if __name__ == "__main__":
    if not __package__:
        _make_importable()
    from liveassist.app.cli import main

    raise SystemExit(main())
