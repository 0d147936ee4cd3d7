"""``SCORES.md``: a section per score, rewritten by the command that measures it."""

from pathlib import Path

SCORES = Path(__file__).with_name("SCORES.md")


def rewrite(section, text, path=SCORES):
    """Put a new text between the marks of a section; everything else stays as it is.

    Parameters
    ----------
    section : str
        Its marks are ``<!-- section -->`` and ``<!-- end of section -->``, each on a line of its own.
    text : str
    path : path

    Raises
    ------
    ValueError
        The file has no such section.
    """
    whole = path.read_text(encoding="utf-8")
    first, last = f"<!-- {section} -->\n", f"<!-- end of {section} -->\n"
    if whole.count(first) != 1 or whole.count(last) != 1 or whole.index(first) > whole.index(last):
        raise ValueError(f"{path} has no section between {first.strip()} and {last.strip()}")
    before, _, rest = whole.partition(first)
    path.write_text(before + first + text.strip() + "\n" + last + rest.partition(last)[2], encoding="utf-8")
