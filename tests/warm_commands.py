"""Serve ``lieboard`` commands from a process that has imported everything already.

    python tests/warm_commands.py FD

Hundreds of tests run a command to its end, and nearly all of what that costs is imports. Each
request forks: the command still has a process, an environment, streams and an exit code of its
own. Requests come on the socket FD as one JSON object with three file descriptors (standard input,
output, error); the answer is the exit code.
"""

from __future__ import annotations

import importlib
import json
import os
import pkgutil
import signal
import socket
import sys
import traceback


def import_all() -> None:
    """Import what commands import, so that none has to."""
    import logger.cli

    for module in pkgutil.walk_packages(logger.cli.__path__, "logger.cli."):
        importlib.import_module(module.name)


def become(request: dict, streams: list[int]) -> int:
    """Run the command in this forked process; return its exit code."""
    for number, stream in enumerate(streams):
        os.dup2(stream, number)
        os.close(stream)
    os.environ.clear()
    os.environ.update(request["environment"])
    os.chdir(request["folder"])
    signal.signal(signal.SIGINT, signal.default_int_handler)
    from logger.cli import main

    sys.argv = ["lieboard", *request["arguments"]]
    try:
        code = main()
    except SystemExit as asked:
        code = asked.code if isinstance(asked.code, int) else 1
    except Exception:  # noqa: BLE001 - a bug shows its traceback, as it would in a process of its own
        traceback.print_exc()
        code = 1
    sys.stdout.flush()
    sys.stderr.flush()
    return code


def serve(requests: socket.socket) -> None:
    while True:
        data, streams, _, _ = socket.recv_fds(requests, 1 << 20, 3)
        if not data:
            return
        child = os.fork()
        if child == 0:
            code = 1
            try:
                requests.close()
                code = become(json.loads(data), streams)
            finally:
                os._exit(code)
        for stream in streams:
            os.close(stream)
        _, status = os.waitpid(child, 0)
        requests.send(str(os.waitstatus_to_exitcode(status)).encode())


if __name__ == "__main__":
    # A command that is interrupted must not take its server along.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    import_all()
    with socket.socket(fileno=int(sys.argv[1])) as requests:
        serve(requests)
