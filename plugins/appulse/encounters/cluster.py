"""The search on an existing Dask cluster."""

from __future__ import annotations

from appulse.errors import InputError, MissingExtraError


def on_dask(address):
    """A ``run`` for :func:`appulse.encounters.search.find_passes` that uses an existing Dask cluster.

    Parameters
    ----------
    address : str
        Of its scheduler, e.g. ``tcp://127.0.0.1:8786``.

    Raises
    ------
    MissingExtraError
        The package ``distributed`` is not installed.

    Notes
    -----
    ``run`` raises InputError where no scheduler answers.
    """
    try:
        from dask.distributed import Client
    except ImportError:
        raise MissingExtraError(
            "a Dask cluster needs the package 'distributed': pip install distributed"
        ) from None

    def run(function, chunks):
        try:
            client = Client(address)
        except (OSError, ValueError) as error:
            why = " ".join(str(error).split())
            raise InputError(
                f"no Dask cluster at {address!r} ({why}); give its scheduler's address, as tcp://127.0.0.1:8786"
            ) from None
        with client:
            for future in client.map(function, chunks, pure=False):
                yield future.result()
                future.release()

    return run
