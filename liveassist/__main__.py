"""``python -m liveassist``, and ``python3 liveassist COMMAND`` in a checkout, which sets it up."""

from __future__ import annotations

import sys
from pathlib import Path


def _from_checkout() -> int:
    """Started as a folder: make ``liveassist`` importable, set the checkout up, run there."""
    package = Path(__file__).resolve().parent
    # Python has put the folder itself on the path, where `import errors` would find ours.
    sys.path[:] = [entry for entry in sys.path if Path(entry or ".").resolve() != package]
    if sys.version_info < (3, 11):  # noqa: UP036 - this file is read before pip could check that
        print("liveassist: needs Python 3.11 or newer, this is " + sys.version.split()[0])
        return 1
    sys.path.insert(0, str(package.parent))
    from liveassist.bootstrap import main as bootstrap

    return bootstrap(sys.argv[1:], package.parent)


if __name__ == "__main__":
    if not __package__:
        raise SystemExit(_from_checkout())
    from liveassist.app.cli import main

    raise SystemExit(main())
