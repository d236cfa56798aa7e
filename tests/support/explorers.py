"""Served explorers: all slices of a question, and a server in a thread."""

import threading
from contextlib import contextmanager

import numpy as np
import pytest

from ebbmap.exploring import server as served
from ebbmap.exploring.asked import Asked


def whole(answers, asked):
    """All slices of a question, added up."""
    total, first = None, 0
    while True:
        found = answers.answer({"kind": "slice", "question": asked, "first": first})
        assert "error" not in found, found
        counts = np.array([found["safe"], found["unknown"], *found["broken"]])
        total = counts if total is None else total + counts
        first += found["counted"]
        if first >= found["of"]:
            return total


@contextmanager
def serving(asked: Asked, token="right"):
    """Serve in a thread of this process; give the port."""
    uvicorn = pytest.importorskip("uvicorn")
    config = uvicorn.Config(
        served.application(asked, token),
        host=served.HOST,
        port=0,
        log_level="error",
        ws_per_message_deflate=False,
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        assert thread.is_alive()
    try:
        yield server.servers[0].sockets[0].getsockname()[1]
    finally:
        server.should_exit = True
        thread.join()
