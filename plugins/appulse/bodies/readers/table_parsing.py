"""The text of an orbit table as columns: ECSV or delimited text, names in any case."""

import warnings
from collections import Counter

from astropy.io import ascii as ascii_tables
from astropy.io.ascii.ecsv import InvalidEcsvDatatypeWarning

from appulse.errors import TableError

DELIMITERS = ",;\t"


def header_words(line):
    """The column names in a header line, and the delimiter between them.

    Examples
    --------
    >>> header_words('designation; epoch;"q"')
    (['designation', 'epoch', 'q'], ';')
    """
    delimiter = max(DELIMITERS, key=line.count)
    return [word.strip().strip('"') for word in line.split(delimiter)], delimiter


def parse_table(text, path, known):
    """Read the text of a table.

    Parameters
    ----------
    text : str
    path : path-like
        For the messages.
    known : iterable of str
        Column names that are wanted; a column that differs from one in its case only gets that name.

    Returns
    -------
    Table

    Raises
    ------
    TableError
        The text is no table, or has two columns of one name.

    Examples
    --------
    >>> parse_table("Designation,Q\\n7,1.0", "t.csv", ["designation", "q"]).colnames
    ['designation', 'q']
    """
    try:
        table = _ecsv(text) if text.startswith("# %ECSV") else _delimited(text, path)
    except TableError:
        raise
    except Exception as error:  # damaged headers raise whatever the YAML in them happens to be
        reason = " ".join(str(error).split())[:160]
        raise TableError(f"{path}: cannot be read as a table of orbits ({reason})") from None
    for name in known:
        if name not in table.colnames:
            same = [other for other in table.colnames if other.lower() == name.lower() and other not in known]
            if len(same) == 1:
                table.rename_column(same[0], name)
    return table


def _ecsv(text):
    with warnings.catch_warnings():
        warnings.simplefilter("error", InvalidEcsvDatatypeWarning)  # a damaged header, not a dialect
        return ascii_tables.read(text.splitlines(), format="ecsv")


def _delimited(text, path):
    lines = text.splitlines()
    header = next(line for line in lines if line.strip() and not line.lstrip().startswith("#"))
    words, delimiter = header_words(header)
    twice = [name for name, count in Counter(words).items() if count > 1 and name]
    if twice:
        raise TableError(f"{path}: two columns are called {twice[0]!r}: keep one of them")
    as_text = {word: [ascii_tables.convert_numpy(str)] for word in words if word.lower() == "designation"}
    return ascii_tables.read(lines, format="csv", delimiter=delimiter, comment=r"\s*#", converters=as_text)
