"""What the page of a portfolio says: the one sentence, the figures, the tables, in words with units and bands."""

import math

from towerlib.outages import HONEST
from towerlib.publish.summary_words import BLANK, band, count, isolated, money, named, sentence, share, two

UNCERTAIN = (
    HONEST,
    "The calibration by the record carries what few trip-outs can say: a line with a handful of them can change its "
    "rank by chance, and the worst line of some years improves by itself. Keep some untreated lines to compare with.",
    "Sums of bands add the ends of the lines, as if all erred alike; they are too wide where the errors differ.",
    "What a trip-out costs is one figure a line here. Where it is known as a range only, look at the ranks at both ends.",
    "A rank is no proof of need: a small line with few towers can be the worst per kilometre.",
)


def headline(portfolio):
    """Where most can be avoided, and what the split of the budget brings.

    Parameters
    ----------
    portfolio : Portfolio

    Returns
    -------
    str
        One sentence or two.
    """
    first, sums = portfolio.lines.iloc[0], portfolio.totals
    if not math.isfinite(first["avoidable_per_year"]):
        told = "No trip-out rate is known on any of these lines"
    else:
        whole = band(
            *(sums[f"avoidable_{end}"] for end in ("per_year", "low", "high")), "lightning trip-outs a year"
        )
        told = (
            f"bringing every footing to its target would avoid {whole}, "
            f"{share(first['avoidable_per_year'], sums['avoidable_per_year'])} of them on {isolated(first['title'])}"
        )
    return " ".join(filter(None, (sentence(told), _gain(portfolio.split))))


def _gain(split):
    """What one budget for all lines brings over their own plans."""
    if split.plan is None:
        return ""
    own, found = split.table["own_per_year"].sum(skipna=False), split.table["avoided_per_year"].sum()
    text = f"{money(split.total, split.currency)} split over the lines would avoid {two(found)} a year by model and record"
    return sentence(text + (f", against {two(own)} by the lines' own plans" if math.isfinite(own) else ""))


def figures(portfolio):
    """The problem in figures.

    Parameters
    ----------
    portfolio : Portfolio

    Returns
    -------
    list of dict
        what, big, more.
    """
    lines, sums = portfolio.lines, portfolio.totals
    known = int(lines["trip_outs_per_year"].notna().sum())
    seen = int(lines["observed_trip_outs"].notna().sum())
    avoidable = [sums[f"avoidable_{end}"] for end in ("per_year", "low", "high")]
    earned = [sums[f"money_{end}"] for end in ("per_year", "low", "high")]
    of = f"of {count(int(sums['towers']), 'tower')}"
    return [
        _figure(
            "above their limit",
            count(int(sums["above_limit"]), "tower"),
            f"{of}, {two(sums['length_km'], 3)}{BLANK}km",
        ),
        _figure(
            "without a usable reading of the footing alone",
            count(int(sums["unread"]), "tower"),
            f"{of}; {int(sums['never_tested'])} never tested, {int(sums['overdue'])} overdue",
        ),
        _figure(
            "lightning trip-outs that happened",
            _times(sums["observed_per_year"]),
            f"{_number(sums['observed_trip_outs'])} in the records of {seen} of {count(len(lines), 'line')}",
        ),
        _figure(
            "lightning trip-outs expected, footings as they stand",
            _times(sums["trip_outs_per_year"]),
            f"on {known} of {count(len(lines), 'line')}, each held against its record where it has one",
        ),
        _figure(
            "avoidable by footings at target",
            _times(avoidable[0]),
            f"80{BLANK}% band of the model {_ends(avoidable)}",
        ),
        _figure(
            "what the avoidable ones cost",
            _money(earned[0], portfolio) + ("" if _blank(earned[0]) else " a year"),
            "a trip-out's cost or one currency is not set on all lines"
            if _blank(earned[0])
            else f"{_ends(earned)}, same band",
        ),
    ]


def _figure(what, big, more):
    return {"what": what, "big": big, "more": more}


def _blank(number):
    return not math.isfinite(number)


def _times(rate):
    return "not known" if _blank(rate) else f"{two(rate)} a year"


def _number(number):
    return "none" if _blank(number) else f"{int(number)}"


def _ends(ends):
    return "not known" if _blank(ends[1]) else f"{two(ends[1])} to {two(ends[2])}"


def _money(amount, portfolio):
    return "not known" if _blank(amount) else money(amount, portfolio.lines["currency"].iloc[0])


def missing(portfolio):
    """Lines that are not on the page, and why.

    Parameters
    ----------
    portfolio : Portfolio

    Returns
    -------
    list of (str, str)
    """
    return [(folder, sentence(why)) for folder, why in portfolio.missing.items()]


def answer(portfolio):
    """The answer in plain text, for a terminal or a notebook.

    Parameters
    ----------
    portfolio : Portfolio

    Returns
    -------
    str
    """
    lines = [f"{portfolio.month}: {count(len(portfolio.lines), 'line')}. {headline(portfolio)}"]
    if portfolio.missing:
        lines.append(f"Not in it: {named(f'{name} ({why})' for name, why in portfolio.missing.items())}.")
    lines += [
        f"Safety, apart from money: {count(int(portfolio.totals['safety_queue']), 'tower')} in the safety queue."
    ]
    return "\n".join(lines).replace("\u00a0", " ").replace("\u202f", " ")
