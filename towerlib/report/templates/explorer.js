// Controls, list, legend and the panel: everything that is no chart.

const SVG = "http://www.w3.org/2000/svg";
const OUTLINES = {
  square: "M3 3H15V15H3Z",
  triangle: "M9 2L16 15H2Z",
  inverted_triangle: "M9 16L2 3H16Z",
  diamond: "M9 1L15 9L9 17L3 9Z",
  star: "M9 1L11 7H17L12 11L14 17L9 13L4 17L6 11L1 7H7Z",
  plus: "M7 2H11V7H16V11H11V16H7V11H2V7H7Z",
  hex: "M5 2H13L17 9L13 16H5L1 9Z",
};

/** An element with a class and a text. */
function made(tag, text, name) {
  const element = document.createElement(tag);
  if (text !== undefined) element.textContent = text;
  if (name) element.className = name;
  return element;
}

/** A mark as the charts draw it. */
function drawing(look) {
  const svg = document.createElementNS(SVG, "svg");
  for (const [name, value] of Object.entries({ width: 18, height: 18, viewBox: "0 0 18 18", "aria-hidden": "true" })) svg.setAttribute(name, value);
  const add = (tag, looks) => {
    const part = document.createElementNS(SVG, tag);
    for (const [name, value] of Object.entries(looks)) part.setAttribute(name, value);
    svg.append(part);
  };
  const ink = { stroke: look.bounded ? "#ffffff" : "currentColor", "stroke-width": 1.2 }, [shape, extra] = look.marker.split(/_(?=dot|x$)/);
  if (look.rule) add("path", { d: "M0 9H18", stroke: "currentColor", "stroke-width": 2, "stroke-dasharray": look.rule === "limit" ? "6 3" : "2 3" });
  else if (look.area) add("rect", { x: 1, y: 4, width: 16, height: 10, fill: look.colour });
  else if (shape === "circle") add("circle", { cx: 9, cy: 9, r: 6, fill: tint(look), ...ink });
  else add("path", { d: OUTLINES[shape], fill: tint(look), ...ink });
  if (extra === "dot") add("circle", { cx: 9, cy: 9.5, r: 1.8, fill: "#ffffff" });
  if (extra === "x") add("path", { d: "M5 5L13 13M5 13L13 5", ...ink });
  return svg;
}

/** Legend of the layer, the worst class first, with how many towers are in each. */
function legend(layer, found) {
  const entry = (look, text) => {
    const item = made("li");
    item.append(drawing(look), made("span", text));
    return item;
  };
  const counts = layer.looks.map((_, kind) => found.filter((each) => (each?.kind ?? 0) === kind).length);
  const items = layer.looks.map((look, kind) => entry(look, `${look.label} (${counts[kind]})`)).reverse();
  if (layer.key === "suspicion") {
    const count = known.spans.suspected.filter((flag) => flag === 1).length;
    items.push(entry({ marker: "star", colour: colour("suspect") }, `${known.suspected} (${count})`));
  }
  for (const [word] of layer.steps) items.push(entry({ marker: "", rule: word }, `${word} of the rule`));
  for (const each of known.context) items.push(entry({ marker: "", area: true, colour: each.colour }, each.name));
  el("legend").replaceChildren(...items);
}

/** Everything again for the layer and month that are set. */
function render() {
  const layer = known.layers[state.layer];
  const shown = known.months[layer.dated ? state.month : known.months.length - 1];
  el("layer-name").textContent = `${layer.name}, ${layer.dated ? "at the end of" : "as of"} ${shown}`;
  el("meaning").textContent = layer.meaning;
  el("month-shown").textContent = known.months[state.month];
  el("month").setAttribute("aria-valuetext", known.months[state.month]);
  for (const id of ["month", "earlier", "later"]) el(id).disabled = !layer.dated;
  el("month-note").textContent = layer.dated
    ? "State at the end of the month: the newest reading up to then. Limits are today's."
    : `This layer has no history; it shows ${shown}.`;
  const found = fill();
  legend(layer, found);
  frame();
  mark();
  tell();
  clearTimeout(waiting);
  if (known.towers.name.length > 1000) waiting = setTimeout(list, 250, layer, found); // long lists wait for the last step
  else list(layer, found);
}
let waiting = 0;

/** The list: towers with what the layer says of them, then spans. */
function list(layer, found) {
  const wanted = el("find").value.trim().toLocaleLowerCase(), { towers, spans } = known;
  let order = towers.name.map((_, tower) => tower);
  if (el("by-rank").checked) order.sort((a, b) => (towers.rank[a] ?? Infinity) - (towers.rank[b] ?? Infinity));
  order = order.filter((tower) => towers.name[tower].toLocaleLowerCase().includes(wanted));
  const pieces = spans.from.map((_, span) => span).filter((span) => spanName(span).toLocaleLowerCase().includes(wanted));
  pieces.sort((a, b) => spans.suspected[b] - spans.suspected[a] || a - b);
  const group = (label, options) => {
    const box = document.createElement("optgroup");
    box.label = `${label} (${options.length})`;
    box.append(...options);
    return box;
  };
  const option = (kind, place, text) => {
    const one = new Option(text, kind + ":" + place);
    one.selected = state.chosen?.kind === kind && state.chosen.place === place;
    return one;
  };
  const standing = order.map((tower) => option("tower", tower, `${isolated(towers.name[tower])}: ${words(layer, found[tower], false)}`));
  const wires = pieces.map((span) => option("span", span, `${isolated(spanName(span))}${spans.suspected[span] ? ": suspected" : ""}`));
  el("list").replaceChildren(group("Towers", standing), group("Spans", wires));
  if (!state.chosen) el("list").selectedIndex = -1;
  el("list-count").textContent = wanted ? `(${order.length} of ${towers.name.length} towers)` : "";
}

/** The panel of what is chosen; every text goes in as text. */
function tell() {
  const chosen = state.chosen, layer = known.layers[state.layer], evidence = el("evidence");
  evidence.replaceChildren();
  for (const id of ["to-tower"]) el(id).disabled = !chosen;
  if (!chosen) {
    el("chosen-name").textContent = "Nothing selected";
    el("chosen-now").textContent = "Select a tower or a span on the map, on the profile or in the list.";
    return;
  }
  const sentences = (places) => places.map((place) => known.texts[place]);
  if (chosen.kind === "span") {
    el("chosen-name").textContent = `Span ${isolated(spanName(chosen.place))}`;
    el("chosen-now").textContent = "Span: the stretch of shield wire and conductors from one tower to the next.";
    for (const text of sentences(known.spans.evidence[chosen.place])) evidence.append(made("p", text));
    return;
  }
  const km = known.towers.km[chosen.place], found = standing(layer, chosen.place, state.month);
  el("chosen-name").textContent = `Tower ${isolated(known.towers.name[chosen.place])}${km === null ? "" : `, km ${km.toFixed(3)}`}`;
  const day = found?.day ? `; read on ${found.day}` : "";
  el("chosen-now").textContent = `${layer.name}${layer.dated ? `, end of ${known.months[state.month]}` : ""}: ${words(layer, found)}${day}.`;
  evidence.append(made("p", `What follows is as of ${known.months[known.months.length - 1]}.`, "meaning"));
  for (const [section, places] of known.evidence[chosen.place]) {
    const [title, meaning] = known.sections[section];
    if (!places.length) continue;
    evidence.append(made("h3", title));
    if (meaning) evidence.append(made("p", meaning, "meaning"));
    const texts = sentences(places);
    if (title.startsWith("Visits")) {
      const visits = made("ol");
      visits.append(...texts.map((text) => made("li", text)));
      evidence.append(visits);
    } else for (const text of texts) evidence.append(made("p", text));
  }
}

/** Choose a tower or a span, wherever it was pointed at. */
function choose(kind, place) {
  state.chosen = kind === null ? null : { kind, place };
  el("list").value = kind === null ? "" : `${kind}:${place}`;
  mark();
  tell();
  document.querySelector(".evidence").scrollTop = 0;
}

/** One tower on along the route. */
function walk(step) {
  const last = known.towers.name.length - 1, chosen = state.chosen;
  let place = step > 0 ? 0 : last;
  if (chosen?.kind === "tower") place = Math.min(Math.max(chosen.place + step, 0), last);
  if (chosen?.kind === "span") place = spanEnds(chosen.place)[step > 0 ? 1 : 0] ?? place;
  choose("tower", place);
}

/** To the nearest month with visits, before or after the one that is set. */
function leap(step) {
  const others = known.visited.filter((month) => (month - state.month) * step > 0);
  const nearest = step > 0 ? Math.min(...others) : Math.max(...others);
  state.month = others.length ? nearest : step > 0 ? known.months.length - 1 : 0;
  el("month").value = state.month;
  render();
}

/** What is tapped in either chart is chosen; the list of the charts' own selection is emptied again. */
function listen() {
  for (const [name, kind] of [["towers", "tower"], ["flags", "span"], ["spans", "span"]]) {
    const picked = model[name].selected;
    picked.properties.indices.change.connect(() => {
      if (!picked.indices.length) return;
      const row = picked.indices[picked.indices.length - 1];
      picked.indices = [];
      if (name === "spans" && performance.now() - tapped < 60) return; // a tower lies over the end of its spans
      if (name !== "spans") tapped = performance.now();
      choose(kind, name === "towers" ? model.towers.data.tower[row] : name === "flags" ? model.flags.data.span[row] : row);
    });
  }
}
let tapped = -Infinity;
let frameWaiting = 0;

/** Controls answer. */
function wire() {
  const on = (id, name, does) => el(id).addEventListener(name, does);
  const find = () => list(known.layers[state.layer], known.towers.name.map((_, tower) => standing(known.layers[state.layer], tower, state.month)));
  on("layer", "change", () => { state.layer = Number(el("layer").value); render(); });
  on("month", "input", () => {
    state.month = Number(el("month").value);
    el("month-shown").textContent = known.months[state.month];
    cancelAnimationFrame(frameWaiting); // one drawing a frame, however fast the slider moves
    frameWaiting = requestAnimationFrame(render);
  });
  on("earlier", "click", () => leap(-1));
  on("later", "click", () => leap(1));
  on("find", "input", find);
  on("by-rank", "change", find);
  on("list", "change", () => { const [kind, place] = el("list").value.split(":"); choose(kind, Number(place)); });
  on("previous", "click", () => walk(-1));
  on("next", "click", () => walk(1));
  on("zoom-in", "click", () => zoom(0.6));
  on("zoom-out", "click", () => zoom(1 / 0.6));
  on("to-tower", "click", () => { toChosen(); mark(); });
  on("whole", "click", () => { whole(); mark(); });
  const keys = { ArrowLeft: () => walk(-1), ArrowRight: () => walk(1), Escape: () => choose(null), "+": () => zoom(0.6), "-": () => zoom(1 / 0.6) };
  on("charts", "keydown", (event) => { if (keys[event.key]) { event.preventDefault(); keys[event.key](); } });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { paint(); render(); });
}

/** Start: controls first, then the charts. */
async function start() {
  el("layer").append(...known.layers.map((layer, place) => new Option(layer.name, place)));
  el("missing").textContent = Object.entries(known.missing).map(([name, why]) => `${name}: ${why}`).join(" ");
  el("month").max = known.months.length - 1;
  el("month").value = state.month;
  await embed();
  const { x, y, name } = known.stations, other = (place) => x.length - 1 - place;
  model.stations.data = {
    x, y, name: name.map(isolated),
    align: x.map((_, place) => (x[place] > x[other(place)] ? "right" : "left")),
    drop: y.map((_, place) => (y[place] < y[other(place)] ? 28 : -12)), // on the side to which the line does not go
  };
  paint();
  render();
  whole();
  listen();
  wire();
  for (const range of [model.map.x_range, model.map.y_range]) range.change.connect(measure);
  measure();
  fit();
  model.map.properties.inner_width.change.connect(() => { fit(); reshape(); fill(); });
  model.map.properties.inner_height.change.connect(reshape);
  requestAnimationFrame(() => requestAnimationFrame(whole));
  document.documentElement.dataset.ready = "yes";
  shrinkOnPaper(document.getElementById("charts"));
}

// Charts are drawn for the screen; on paper they are scaled to what a page of A4 holds between its margins.
function shrinkOnPaper(charts) {
  const pageWidth = 660;
  addEventListener("beforeprint", () => {
    const width = charts.getBoundingClientRect().width;
    charts.style.width = `${width}px`;
    charts.style.zoom = Math.min(1, pageWidth / width);
  });
  addEventListener("afterprint", () => { charts.style.width = charts.style.zoom = ""; });
}

start();
