"""The sentence on an optional package that is not installed."""

from __future__ import annotations

from analysis.model.errors import InputError


def missing_package(what: str, package: str, extra: str) -> InputError:
    """The error where ``what`` needs a package that comes with an extra.

    Parameters
    ----------
    what : str
        What cannot be done.
    package : str
        Name to import.
    extra : str
        Of this program's optional packages.

    Returns
    -------
    InputError
        Not raised yet.

    Examples
    --------
    >>> missing_package("Parquet", "pyarrow", "parquet").problem
    'Parquet needs the package pyarrow, which is not installed'
    """
    return InputError(
        f"{what} needs the package {package}, which is not installed",
        next_step=f'run python -m pip install ".[{extra}]" in the folder that strokeplane was installed from',
    )
