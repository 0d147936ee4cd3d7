// The two charts: filled from the tables, kept true to scale, and asked for what is chosen.

let model = null;
const SPAN_ROW = 5; // of suspected spans in the profile of bonds and spans

/** Embed the charts; they start empty. */
async function embed() {
  await Bokeh.embed.embed_item(JSON.parse(el("chart-models").textContent), "charts");
  const page = Bokeh.documents[Bokeh.documents.length - 1];
  const named = (name) => page.get_model_by_name(name);
  model = { map: named("map"), profile: named("profile"), page };
  for (const name of ["towers", "spans", "flags", "chosen", "chosen-span", "stations", "bars", "target", "limit", "scale"]) model[name] = named(name);
}

/** Every part of both charts in the colours of the page. */
function paint() {
  const ink = colour("ink"), rule = colour("rule"), chosen = colour("chosen"), muted = colour("muted");
  for (const chart of [model.map, model.profile]) {
    chart.setv({ outline_line_color: rule, background_fill_color: colour("paper"), border_fill_color: colour("paper") });
    for (const side of [...chart.below, ...chart.left]) {
      side.setv({ axis_label_text_color: ink, major_label_text_color: ink, axis_line_color: ink, major_tick_line_color: ink });
    }
    for (const grid of chart.center) {
      if ("grid_line_color" in grid) grid.setv({ grid_line_color: rule, grid_line_alpha: 0.5 });
    }
    for (const drawn of chart.renderers) {
      const glyph = drawn.glyph;
      if (!drawn.name || !glyph) continue;
      const tint = { choice: chosen, "choice-name": chosen, "span-choice": chosen, "bar-lines": muted }[drawn.name] ?? ink;
      if ("text_color" in glyph) glyph.text_color = { value: tint };
      if (drawn.name === "choice-name") glyph.background_fill_color = { value: colour("paper") };
      if ("line_color" in glyph) glyph.line_color = { value: tint };
    }
  }
}

/** Colour of a class; a hollow one shows the paper. */
const tint = (look) => (look.colour === known.hollow ? colour("paper") : look.colour);

/** Towers, bars and spans of the layer and month that are set; the worst class last, so on top. */
function fill() {
  const layer = known.layers[state.layer], { floor } = axis(layer), towers = known.towers;
  const room = (3 * (model.map.inner_width || 600)) / towers.name.length;
  const size = Math.min(Math.max(room, 5.5), 10);
  const found = towers.name.map((_, tower) => standing(layer, tower, state.month));
  const order = found.map((_, tower) => tower).sort((a, b) => (found[a]?.kind ?? 0) - (found[b]?.kind ?? 0) || a - b);
  const looks = order.map((tower) => layer.looks[found[tower]?.kind ?? 0]);
  const up = (tower) => (found[tower] ? height(layer, found[tower].value) : null) ?? floor;
  model.towers.data = {
    tower: order,
    x: order.map((tower) => towers.x[tower] ?? NaN),
    y: order.map((tower) => towers.y[tower] ?? NaN),
    along: order.map((tower) => towers.km[tower] ?? NaN),
    height: order.map(up),
    marker: looks.map((look) => look.marker),
    colour: looks.map(tint),
    size: looks.map((look) => size * look.size),
    ink: looks.map((look) => (look.bounded ? "#ffffff" : colour("ink"))), // so that the dot shows on dark marks
    edge: new Array(looks.length).fill(size < 6 ? 0.4 : 1),
    name: order.map((tower) => "Tower " + isolated(towers.name[tower])),
    words: order.map((tower) => words(layer, found[tower])),
  };
  fillBars(layer, order, found);
  fillSpans(layer);
  return found;
}

/** Bars from the low to the high end; where there is no high end, up to the value. */
function fillBars(layer, order, found) {
  const barred = hasNumbers(layer) ? order.filter((tower) => found[tower] && found[tower].low !== null) : [];
  const { start } = axis(layer);
  model.bars.data = {
    along: barred.map((tower) => known.towers.km[tower] ?? NaN),
    low: barred.map((tower) => height(layer, found[tower].low) ?? start),
    high: barred.map((tower) => height(layer, found[tower].high ?? found[tower].value) ?? start),
  };
}

/** Spans on the map; on the profile those that are suspected, where the layer is about them. */
function fillSpans(layer) {
  const { spans, towers } = known, about = layer.key === "suspicion";
  const end = (column, side) => spans[side].map((tower) => (tower === null ? NaN : towers[column][tower] ?? NaN));
  const suspected = spans.suspected.map((flag) => about && flag === 1);
  model.spans.data = {
    x0: end("x", "from"), y0: end("y", "from"), x1: end("x", "to"), y1: end("y", "to"),
    from_km: end("km", "from"), to_km: end("km", "to"),
    height: suspected.map((flag) => (flag ? SPAN_ROW : NaN)),
    colour: suspected.map((flag) => colour(flag ? "suspect" : "muted")),
    width: suspected.map((flag) => (flag ? 6 : 1.5)),
    dash: suspected.map((flag) => (flag ? [6, 3] : [])),
  };
  const flagged = suspected.map((_, span) => span).filter((span) => suspected[span]);
  const middle = (from, to) => flagged.map((span) => (model.spans.data[from][span] + model.spans.data[to][span]) / 2);
  model.flags.data = {
    x: middle("x0", "x1"), y: middle("y0", "y1"), along: middle("from_km", "to_km"),
    height: flagged.map(() => SPAN_ROW), span: flagged, ink: flagged.map(() => colour("suspect")),
  };
}

/** Axis and lines of the layer. */
function frame() {
  const layer = known.layers[state.layer], { rows, start, end, floor } = axis(layer), left = model.profile.left[0];
  const texts = [...rows, [floor, layer.log || hasNumbers(layer) ? "no value" : layer.looks[0].label.replace(" ", "\n")]];
  left.ticker.ticks = texts.map(([at]) => at);
  left.major_label_overrides = new Map(texts);
  left.axis_label = layer.axis;
  model.profile.y_range.setv({ start, end });
  const steps = new Map(layer.steps), along = known.towers.km.map((km) => km ?? NaN);
  for (const word of ["target", "limit"]) {
    const ohm = steps.get(word);
    model[word].data = ohm ? { along, height: ohm.map((value) => height(layer, value) ?? NaN) } : { along: [], height: [] };
  }
}

/** Least and greatest of the numbers of a column. */
function ends(values) {
  const some = values.filter((value) => value !== null);
  return some.length ? [some.reduce((a, b) => Math.min(a, b)), some.reduce((a, b) => Math.max(a, b))] : null;
}
const wide = () => ends([...known.towers.x, ...known.stations.x]);
const tall = () => ends([...known.towers.y, ...known.stations.y]);

/** The whole line in both charts, the map true to scale. */
function whole() {
  const km = ends(known.towers.km);
  if (km) {
    const margin = 0.02 * (km[1] - km[0]) || 0.5;
    model.profile.x_range.setv({ start: km[0] - margin, end: km[1] + margin });
  }
  if (wide()) look(wide(), tall(), 1.15);
}

/** The map as high as the shape of the line asks for. */
function fit() {
  if (!wide()) return;
  const [west, east] = wide(), [south, north] = tall(), width = model.map.inner_width || 600;
  const shape = (north - south) / Math.max(east - west, 0.4);
  model.map.height = Math.round(Math.min(Math.max(1.5 * shape * width, 170), 430)) + 80;
}

/** A part of the map in the middle of its frame, one kilometre as long upwards as sideways. */
function look([west, east], [south, north], room) {
  const wide = Math.max(model.map.inner_width || 600, 50), tall = Math.max(model.map.inner_height || 350, 50);
  const scale = room * Math.max((east - west) / wide, (north - south) / tall, 0.4 / wide);
  const [x, y] = [(west + east) / 2, (south + north) / 2];
  model.map.x_range.setv({ start: x - (scale * wide) / 2, end: x + (scale * wide) / 2 });
  model.map.y_range.setv({ start: y - (scale * tall) / 2, end: y + (scale * tall) / 2 });
}

/** Bar of a round length in the lower right of the map. */
function measure() {
  const { x_range: x, y_range: y } = model.map, wide = x.end - x.start, ten = 10 ** Math.floor(Math.log10(wide / 4));
  const length = [5, 2, 1].map((part) => part * ten).find((km) => km <= wide / 4);
  const x1 = x.end - 0.04 * wide, at = y.start + 0.1 * (y.end - y.start);
  const name = length >= 1 ? `${plain(length)} km` : `${plain(1000 * length)} m`;
  model.scale.data = { x0: [x1 - length], x1: [x1], middle: [x1 - length / 2], y: [at], name: [name] };
}

/** The same part of the map again after its frame has changed its shape. */
function reshape() {
  const { x_range: x, y_range: y } = model.map;
  const scale = (x.end - x.start) / model.map.inner_width, tall = (scale * model.map.inner_height) / 2;
  const middle = (y.start + y.end) / 2;
  y.setv({ start: middle - tall, end: middle + tall });
}

/** Both charts larger or smaller about their middle. */
function zoom(factor) {
  for (const range of [model.map.x_range, model.map.y_range, model.profile.x_range]) {
    const middle = (range.start + range.end) / 2, half = ((range.end - range.start) / 2) * factor;
    range.setv({ start: middle - half, end: middle + half });
  }
}

/** Ring, name and halo of what is chosen, in both charts. */
function mark() {
  const layer = known.layers[state.layer], { floor } = axis(layer), { towers, spans } = known, chosen = state.chosen;
  const none = { x: [], y: [], along: [], height: [], name: [], map_align: [], map_shift: [], align: [], shift: [] };
  const beyond = (range, at) => at > range.start + 0.7 * (range.end - range.start); // no room to the right for a name
  const line = { x0: [], y0: [], x1: [], y1: [], from_km: [], to_km: [], height: [] };
  if (chosen?.kind === "tower") {
    const found = standing(layer, chosen.place, state.month);
    none.x.push(towers.x[chosen.place] ?? NaN);
    none.y.push(towers.y[chosen.place] ?? NaN);
    none.along.push(towers.km[chosen.place] ?? NaN);
    none.height.push((found ? height(layer, found.value) : null) ?? floor);
    none.name.push(isolated(towers.name[chosen.place]));
    for (const [prefix, range, at] of [["map_", model.map.x_range, none.x[0]], ["", model.profile.x_range, none.along[0]]]) {
      none[prefix + "align"].push(beyond(range, at) ? "right" : "left");
      none[prefix + "shift"].push(beyond(range, at) ? -17 : 17);
    }
  } else if (chosen?.kind === "span") {
    const [from, to] = spanEnds(chosen.place);
    line.x0.push(towers.x[from] ?? NaN); line.y0.push(towers.y[from] ?? NaN);
    line.x1.push(towers.x[to] ?? NaN); line.y1.push(towers.y[to] ?? NaN);
    line.from_km.push(towers.km[from] ?? NaN); line.to_km.push(towers.km[to] ?? NaN);
    line.height.push(spans.suspected[chosen.place] && layer.key === "suspicion" ? SPAN_ROW : floor);
  }
  model.chosen.data = none;
  model["chosen-span"].data = line;
}

/** Both charts with the chosen tower or span in their middle. */
function toChosen() {
  const chosen = state.chosen;
  if (!chosen) return;
  const ends = chosen.kind === "tower" ? [chosen.place] : spanEnds(chosen.place).filter((tower) => tower !== null);
  const part = (column) => ends.map((tower) => known.towers[column][tower]).filter((value) => value !== null);
  const span = (values, reach) => [Math.min(...values) - reach, Math.max(...values) + reach];
  if (part("x").length) look(span(part("x"), 0.8), span(part("y"), 0.4), 1.3);
  const [start, end] = span(part("km"), 1.5);
  if (part("km").length) model.profile.x_range.setv({ start, end });
}
