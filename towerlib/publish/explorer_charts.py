"""The two charts of the page, empty: the page itself fills them from its tables."""

from towerlib.publish.style import CONTEXT

TEXT = {"text_font": {"value": "sans-serif"}, "text_font_size": "13px"}
PAD = 14  # least margin of a chart [pixels]


def layout(context):
    """Map over profile, sharing the towers, the spans and what is chosen.

    Parameters
    ----------
    context : list of dict
        Layers under the map, as `explorer_places.context_shapes` gives them.

    Returns
    -------
    bokeh.models.LayoutDOM
        Named models: ``map``, ``profile``; sources ``towers``, ``spans``, ``flags``, ``chosen``, ``chosen-span``,
        ``stations``, ``bars``, ``target``, ``limit``, ``scale``.
    """
    from bokeh.layouts import column

    sources = _sources()
    charts = [_map(sources, context), _profile(sources)]
    return column(*charts, sizing_mode="stretch_width", spacing=4)


def _sources():
    """Tables that the page fills."""
    from bokeh.models import ColumnDataSource

    columns = {
        "towers": "x y along height marker colour size ink edge name words tower",
        "spans": "x0 y0 x1 y1 from_km to_km height colour width dash",
        "flags": "x y along height span ink",
        "chosen": "x y along height name map_align map_shift align shift",
        "chosen-span": "x0 y0 x1 y1 from_km to_km height",
        "stations": "x y name align drop",
        "bars": "along low high",
        "target": "along height",
        "limit": "along height",
        "scale": "x0 x1 middle y name",
    }
    return {
        name: ColumnDataSource({column: [] for column in each.split()}, name=name)
        for name, each in columns.items()
    }


def _figure(name, height, **looks):
    """An empty chart without ranges of its own making."""
    from bokeh.models import PanTool, Range1d
    from bokeh.plotting import figure

    chart = figure(
        name=name,
        height=height,
        sizing_mode="stretch_width",
        tools="",
        toolbar_location=None,
        x_range=Range1d(0, 1),
        y_range=Range1d(0, 1),
        min_border=PAD,
        lod_threshold=None,
        **looks,
    )
    chart.add_tools(PanTool())
    for axis in chart.axis:
        axis.axis_label_text_font_style = "normal"
        axis.major_label_text_font_size = axis.axis_label_text_font_size = "13px"
        axis.minor_tick_line_color = None
    return chart


def _hands(chart, towers, spans):
    """Tap on the marks of a chart, and the pointer on its towers."""
    from bokeh.models import HoverTool, TapTool

    looks = {
        "tooltips": "@name<br>@words",
        "point_policy": "snap_to_data",
        "attachment": "vertical",
        "limit": 1,
    }
    chart.add_tools(
        TapTool(renderers=[towers, *spans], mode="replace"), HoverTool(renderers=[towers], **looks)
    )


def _towers(chart, source, x, y):
    """Towers with the mark of their class; a thick outline under the pointer, in both charts at once."""
    looks = {
        "marker": "marker",
        "size": "size",
        "fill_color": "colour",
        "line_color": "ink",
        "line_width": "edge",
    }
    drawn = chart.scatter(x, y, source=source, **looks)
    drawn.nonselection_glyph = drawn.selection_glyph = None
    drawn.hover_glyph = drawn.glyph.clone(line_width=4)
    return drawn


def _flags(chart, source, x, y):
    """Star on the middle of a suspected span: the span itself is short where the whole line is shown."""
    looks = {"marker": "star", "size": 20, "fill_color": "ink", "line_width": 1.2, "name": "flag-marks"}
    drawn = chart.scatter(x, y, source=source, **looks)
    drawn.nonselection_glyph = drawn.selection_glyph = None
    return drawn


def _choice(chart, source, x, y, side=""):
    """Ring and name of the chosen tower, the name on the side that has room."""
    looks = {"size": 26, "marker": "circle", "fill_alpha": 0, "line_width": 3}
    chart.scatter(x, y, source=source, name="choice", **looks)
    looks = {"text_align": f"{side}align", "x_offset": f"{side}shift", "y_offset": 5, "padding": 2}
    words = chart.text(x, y, source=source, text="name", name="choice-name", **looks, **TEXT)
    words.glyph.text_font_style, words.glyph.background_fill_alpha = "bold", 0.85


def _map(sources, context):
    """Map on the grid of the route, kilometres, true in both directions."""
    chart = _figure("map", 430, x_axis_label="Easting [km]", y_axis_label="Northing [km]")
    for number, layer in enumerate(context):
        colour = CONTEXT[number % len(CONTEXT)]
        if layer["areas"]:
            xs, ys = map(list, zip(*layer["areas"], strict=True))
            chart.multi_polygons(xs, ys, color=colour, fill_alpha=0.5, line_alpha=0.9)
        if layer["lines"]:
            chart.multi_line(*map(list, zip(*layer["lines"], strict=True)), color=colour, line_width=2)
        if layer["points"]:
            chart.scatter(
                *map(list, zip(*layer["points"], strict=True)), color=colour, marker="cross", size=8
            )
    ends = {"x0": "x0", "y0": "y0", "x1": "x1", "y1": "y1"}
    halo = chart.segment(
        **ends, source=sources["chosen-span"], line_width=12, line_alpha=0.35, name="span-choice"
    )
    halo.glyph.line_cap = "round"
    spans = _spans(chart, sources["spans"], ends)
    chart.scatter(
        "x",
        "y",
        source=sources["stations"],
        marker="square_x",
        size=13,
        fill_alpha=0,
        line_width=2,
        name="station-marks",
    )
    chart.text(
        "x",
        "y",
        source=sources["stations"],
        text="name",
        text_align="align",
        y_offset="drop",
        name="station-names",
        **TEXT,
    )
    towers = _towers(chart, sources["towers"], "x", "y")
    flags = _flags(chart, sources["flags"], "x", "y")
    _choice(chart, sources["chosen"], "x", "y", "map_")
    bar = {"source": sources["scale"], "line_width": 2.5, "name": "scale-bar"}
    chart.segment("x0", "y", "x1", "y", **bar)
    words = {"text_align": "center", "y_offset": -4, "name": "scale-words"}
    chart.text("middle", "y", text="name", source=sources["scale"], **words, **TEXT)
    _hands(chart, towers, [flags, spans])
    return chart


def _spans(chart, source, ends):
    """Spans; what is suspected is thick and dashed."""
    looks = {"line_color": "colour", "line_width": "width", "line_dash": "dash"}
    drawn = chart.segment(**ends, source=source, **looks)
    drawn.nonselection_glyph = drawn.selection_glyph = None
    return drawn


def _profile(sources):
    """Route from the first station to the last; rows or round numbers at the left, set by the page."""
    from bokeh.models import FixedTicker

    chart = _figure("profile", 300, x_axis_label="Chainage from the first station [km]", y_axis_label=" ")
    chart.yaxis.ticker = FixedTicker(ticks=[])
    for name, dash in (("target", "dotted"), ("limit", "dashed")):
        chart.step(
            "along",
            "height",
            source=sources[name],
            mode="center",
            line_width=2,
            line_dash=dash,
            name=f"{name}-line",
        )
    chart.segment("along", "low", "along", "high", source=sources["bars"], line_width=1.5, name="bar-lines")
    ends = {"x0": "from_km", "y0": "height", "x1": "to_km", "y1": "height"}
    halo = chart.segment(
        **ends, source=sources["chosen-span"], line_width=12, line_alpha=0.35, name="span-choice"
    )
    halo.glyph.line_cap = "round"
    spans = _spans(chart, sources["spans"], ends)
    towers = _towers(chart, sources["towers"], "along", "height")
    flags = _flags(chart, sources["flags"], "along", "height")
    _choice(chart, sources["chosen"], "along", "height")
    _hands(chart, towers, [flags, spans])
    return chart
