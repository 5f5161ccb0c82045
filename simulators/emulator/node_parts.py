"""The Node packages that tests run (``node/package.json``), in a cache folder outside the tree."""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

from simulators.core_board import BuildError

HERE = Path(__file__).parent / "node"
HINT = "apt-get install nodejs npm"


def node_parts() -> Path:
    """Give the folder with ``node_modules``; install them first if they are not there yet.

    Raises
    ------
    BuildError
        If Node or npm is missing, or the packages cannot be fetched.
    """
    for program in ("node", "npm"):
        if shutil.which(program) is None:
            raise BuildError(f"{program} is not installed: {HINT}")
    lock = (HERE / "package-lock.json").read_bytes()
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    folder = cache / "lieboard-test-parts" / hashlib.sha256(lock).hexdigest()[:16]
    folder.mkdir(parents=True, exist_ok=True)
    done = folder / "installed"
    # Several test processes ask at once: one installs.
    with (folder / "lock").open("w") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        if not done.exists():
            for name in ("package.json", "package-lock.json"):
                shutil.copyfile(HERE / name, folder / name)
            run = subprocess.run(
                ["npm", "ci", "--no-audit", "--no-fund", "--ignore-scripts"],
                cwd=folder,
                capture_output=True,
                text=True,
                check=False,
            )
            if run.returncode != 0:
                why = run.stderr.strip().splitlines() or ["npm said nothing"]
                raise BuildError(
                    f"npm could not fetch the packages of {HERE / 'package.json'} ({why[0]}): "
                    "it needs the network once; .ci/run does it too"
                )
            done.touch()
    return folder


if __name__ == "__main__":
    try:
        print(node_parts())  # noqa: T201
    except BuildError as error:
        sys.exit(str(error))
