"""What a line's report has to keep, so that a portfolio never assesses a line again."""

import pandas as pd

from towerlib.changes import coverage

SETTINGS = """
    budget currency cost_per_trip_out years horizon_years discount_rate crew_weeks_per_year
""".split()
SUMS = """
    length_km whole_line_per_year whole_line_low whole_line_high model_factor avoided_to_target_per_year avoided_low
    avoided_high observed_trip_outs observed_years observed_per_year observed_low observed_high calibration_factor
    calibrated_per_year calibrated_low calibrated_high
""".split()
TEXTS = ("line_id", "title", "month", "currency")


def tables(study):
    """Tables of a line's month that its portfolio reads, beside those of the report.

    Parameters
    ----------
    study : Assessment

    Returns
    -------
    dict of str to pandas.DataFrame
        line (one row: names, settings of the plan, sums of the trip-outs with their bands), coverage (a row a
        month), mobilisation (a row an access group), plan-options (what the plan chose from).
    """
    return {
        "line": facts(study),
        "coverage": coverage(study),
        "mobilisation": study.treatments.mobilisation,
        "plan-options": study.budget.options,
    }


def facts(study):
    """Names, settings and sums of a line in one row.

    Parameters
    ----------
    study : Assessment

    Returns
    -------
    pandas.DataFrame
        One row; a figure that is not known is NaN.
    """
    settings = {name: getattr(study.line.plan, name) for name in SETTINGS}
    sums = {name: study.outages.line.get(name) for name in SUMS}
    names = {"line_id": study.line.id, "title": study.line.title, "month": study.month}
    row = pd.DataFrame([names | settings | sums])
    return row.astype({name: "str" if name in TEXTS else "float64" for name in row})
