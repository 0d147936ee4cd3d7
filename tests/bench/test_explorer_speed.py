"""The explorer of 5,000 towers against the plainest page that its library makes of the same tables."""

import time

import pytest
from test_explorer import repeated, study_of

from towerlib.report import line_explorer

COPIES = 313  # of 16 towers: 5,008
SECONDS = 5.0  # of one processor
MOST = 12  # times the library's own page of bare marks


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    return repeated(study_of(tmp_path_factory.mktemp("long") / "start-of-demo"), COPIES)


def seconds(call):
    """Processor time of one call."""
    begun = time.process_time()
    call()
    return time.process_time() - begun


def bare(study, path):
    """Towers and visits as marks in one chart, written by the library."""
    from bokeh.embed import file_html
    from bokeh.models import ColumnDataSource
    from bokeh.plotting import figure
    from bokeh.resources import INLINE

    chart = figure()
    for table in (study.condition, study.grades.visits):
        columns = {name: table[name].astype(str).tolist() for name in table}
        rows = list(range(len(table)))
        chart.scatter("row", "row", source=ColumnDataSource(columns | {"row": rows}))
    path.write_text(file_html(chart, INLINE), encoding="utf-8")


def test_five_thousand_towers(study, tmp_path):
    assert len(study.condition) > 5000
    line_explorer.write(study, tmp_path / "warm.html")
    ours = min(seconds(lambda: line_explorer.write(study, tmp_path / "explorer.html")) for _ in range(2))
    theirs = min(seconds(lambda: bare(study, tmp_path / "bare.html")) for _ in range(2))
    size = (tmp_path / "explorer.html").stat().st_size / 1e6
    print(f"5,008 towers: {ours:.2f} s, {size:.1f} MB; bare page {theirs:.2f} s")
    assert ours < SECONDS
    assert ours < MOST * theirs
