"""The grade of a line's test data, A to D, by a rule that is printed beside it."""

from dataclasses import dataclass

from towerlib.publish.summary_words import BLANK

GRADES = "ABCD"
RULE = (
    "The grade is that of the weakest of these figures: A means that the ranks of this page can be worked from, "
    "B that single towers lack readings, C that many do, D that tests come first. The steps are our own "
    "judgement; no standard grades such data."
)


@dataclass(frozen=True)
class Measure:
    """One figure of the grade.

    Attributes
    ----------
    what : str
        What is counted, in words.
    percent : float
        Figure, the higher the better [%]; NaN where there is nothing to count.
    steps : tuple of float
        Least percent of A, of B, of C.
    """

    what: str
    percent: float
    steps: tuple

    @property
    def grade(self):
        """Letter of this figure; D where there is nothing to count."""
        reached = [letter for letter, step in zip(GRADES, self.steps, strict=False) if self.percent >= step]
        return reached[0] if reached else GRADES[-1]

    @property
    def told(self):
        """The figure as it is written."""
        return f"{self.percent:.0f}{BLANK}%" if self.percent == self.percent else "nothing to count"

    @property
    def needed(self):
        """What A, B and C ask for, in percent."""
        return ", ".join(f"{letter}{BLANK}{step:g}" for letter, step in zip(GRADES, self.steps, strict=False))


def measures(study):
    """The figures that the grade is made of.

    Parameters
    ----------
    study : Assessment

    Returns
    -------
    list of Measure

    Notes
    -----
    Judgement: a ranking is as good as its readings. Towers, not visits, are counted, so a tower that was tested
    often does not make up for one that never was.
    """
    towers, counts = study.condition, study.records.counts
    read = towers["footing_ohm"].notna()
    late = towers["tower_id"].isin(study.retest["tower_id"])
    clean = towers.loc[read, "verdict"].eq("usable")
    sure = towers.loc[read, "rank_confidence"].isin(["sure", "likely"])
    rows, used = counts["rows_in"].sum(), counts["used"].sum()
    return [
        Measure("towers with a usable reading of the footing alone", _percent(read), (95, 85, 70)),
        Measure("towers that are not due for a test", _percent(~late), (95, 80, 60)),
        Measure(
            "readings in use that meet every quality rule without a caution", _percent(clean), (85, 70, 50)
        ),
        Measure(
            "read towers of which it is sure or likely whether they belong to the worst tenth",
            _percent(sure),
            (90, 80, 60),
        ),
        Measure(
            "rows handed in that could be used",
            100 * used / rows if rows else float("nan"),
            (99, 97, 90),
        ),
    ]


def _percent(yes):
    """Share of what is true [%]; NaN of nothing."""
    return 100 * float(yes.astype(bool).mean()) if len(yes) else float("nan")


def overall(parts):
    """Grade of the data: that of the weakest figure.

    Parameters
    ----------
    parts : list of Measure

    Returns
    -------
    str

    Examples
    --------
    >>> overall([Measure("a", 96.0, (95, 85, 70)), Measure("b", 81.0, (95, 80, 60))])
    'B'
    """
    return max(part.grade for part in parts)
