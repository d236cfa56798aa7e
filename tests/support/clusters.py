"""A small cluster on this machine, whose ports are whichever are free."""

import pytest


def two_workers():
    """Return a cluster of two processes, to be used in a `with` statement."""
    distributed = pytest.importorskip("distributed")
    # the scheduler serves pages even where no dashboard is asked for, by default on one fixed port
    return distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=":0", silence_logs=50
    )
