// What a page of evidence/page.py does in the browser: unpack the layers (evidence/drawing.py says how they are packed),
// draw the chosen one, the chosen travel and the strip over all layers. No text of a job reaches this script.
"use strict";
(function () {
  const byId = (id) => document.getElementById(id);
  if (typeof Plotly === "undefined") {
    byId("missing").hidden = false;
    return;
  }
  const page = JSON.parse(byId("data").textContent);
  // Okabe and Ito, "Color Universal Design" (2008); marks differ in dash and width besides.
  const ink = "#000000", orange = "#E69F00", sky = "#56B4E9", blue = "#0072B2", vermilion = "#D55E00", grey = "#999999";
  const narrow = window.matchMedia("(max-width: 40rem)").matches;
  // On a phone a finger that scrolls the page must not be caught by a drawing.
  const config = { responsive: true, displaylogo: false, displayModeBar: narrow ? false : "hover" };
  const font = { family: "system-ui, sans-serif", size: narrow ? 11 : 13 };
  const digits = new Map([...page.digits].map((digit, value) => [digit, value]));
  const state = { at: 0, travel: -1, after: page.changed };

  function unpack(text) {
    const out = [];
    let value = 0, weight = 1;
    for (const symbol of text) {
      const digit = digits.get(symbol);
      value += (digit & 31) * weight;
      weight *= 32;
      if (digit < 32) {
        out.push(value % 2 ? -(value + 1) / 2 : value / 2);
        value = 0;
        weight = 1;
      }
    }
    return out;
  }

  // n points of k numbers, as differences, to k columns in mm.
  function columns(numbers, at, k) {
    const n = numbers[at++], out = Array.from({ length: k }, () => []), last = new Array(k).fill(0);
    for (let i = 0; i < n; i++) {
      for (let j = 0; j < k; j++) {
        last[j] += numbers[at++];
        out[j].push(last[j] / 100);
      }
    }
    return [out, at];
  }

  function readTravel(numbers, at) {
    const travel = { line: numbers[at], retracted: numbers[at + 1] === 1, strikesBefore: numbers[at + 2] === 1 };
    let points, side;
    [points, at] = columns(numbers, at + 3, 3);
    [travel.x, travel.y, travel.z] = points;
    travel.s = [0];
    for (let k = 1; k < travel.x.length; k++) {
      travel.s.push(travel.s[k - 1] + Math.hypot(travel.x[k] - travel.x[k - 1], travel.y[k] - travel.y[k - 1]));
    }
    if (page.changed) {
      travel.strikesAfter = numbers[at] === 1;
      travel.reason = numbers[at + 1];
      [side, at] = columns(numbers, at + 2, 2);
      travel.side = side[0].length ? side : null;
    }
    [travel.ground, at] = columns(numbers, at, 3);
    return [travel, at];
  }

  function readLayer(packed) {
    const numbers = unpack(packed.d);
    const beads = [[[], []], [[], []], [[], []], [[], []]];
    let at = 1, x = 0, y = 0;
    for (let line = 0; line < numbers[0]; line++) {
      const [xs, ys] = beads[numbers[at]];
      const pieces = numbers[at + 1];
      at += 2;
      for (let k = 0; k <= pieces; k++) {
        x += numbers[at++];
        y += numbers[at++];
        xs.push(x / 100);
        ys.push(y / 100);
      }
      xs.push(null);
      ys.push(null);
    }
    const travels = [];
    for (let left = numbers[at++], travel; left > 0; left--) {
      [travel, at] = readTravel(numbers, at);
      travels.push(travel);
    }
    return { beads, travels };
  }

  let shown = null;
  const top = (travel) => Math.max(travel.z[0], travel.z[travel.z.length - 1]);
  const mm = (value) => `${value.toFixed(2)} mm`;
  const number = (value) => value.toLocaleString("en", { maximumFractionDigits: 1 });
  const many = (count, what) => `${number(count)} ${what}${count === 1 ? "" : "s"}`;

  function look(travel) {
    if (state.after ? travel.strikesAfter : travel.strikesBefore) return "strikes";
    return state.after && travel.side ? "changed" : "passes";
  }

  const looks = {
    passes: { name: "travel", line: { color: sky, width: 1.2, dash: "dot" } },
    changed: { name: "travel, rewritten", line: { color: blue, width: 2 } },
    strikes: { name: "travel that would strike", line: { color: vermilion, width: 2.5, dash: "dash" } },
  };

  function travelTraces() {
    const found = { passes: [[], [], []], changed: [[], [], []], strikes: [[], [], []] };
    shown.travels.forEach((travel, index) => {
      const [x, y, which] = found[look(travel)];
      travel.x.forEach((value, k) => {
        x.push(value);
        y.push(travel.y[k]);
        which.push(index);
      });
      x.push(null);
      y.push(null);
      which.push(null);
    });
    return Object.entries(looks).filter(([kind]) => found[kind][0].length).map(([kind, how]) => ({
      type: "scatter", mode: "lines", x: found[kind][0], y: found[kind][1], customdata: found[kind][2], ...how,
      hovertemplate: "%{fullData.name}<br>X %{x:.2f} Y %{y:.2f} mm<extra></extra>",
    }));
  }

  function drawPlan() {
    const widths = [1.4, 2.5, 4, 6];
    const names = ["bead", ...page.classes.map((low, k) => {
      const high = page.classes[k + 1];
      return high === undefined ? `bead, allowance above ${low} mm` : `bead, allowance up to ${high} mm`;
    })];
    const traces = shown.beads.map(([x, y], kind) => ({
      type: "scatter", mode: "lines", x, y, name: names[kind], hoverinfo: "skip",
      line: { color: kind ? orange : grey, width: widths[kind] },
    })).filter((trace) => trace.x.length);
    traces.push(...travelTraces());
    const travel = shown.travels[state.travel];
    if (travel) {
      traces.push({
        type: "scatter", mode: "lines+markers", x: travel.x, y: travel.y, name: "chosen travel", hoverinfo: "skip",
        line: { color: ink, width: 3 },
        marker: { color: ink, size: travel.x.map((_, k) => (k ? 0 : 11)), symbol: "circle-open", line: { width: 2 } },
      });
    }
    const [x0, x1, y0, y1] = page.bounds, room = 0.04 * Math.max(x1 - x0, y1 - y0, 1);
    const axis = { zeroline: false, gridcolor: "#e8e8e8" };
    Plotly.react("plan", traces, {
      font, margin: { l: 46, r: 8, t: 8, b: 80 }, dragmode: narrow ? false : "pan", uirevision: "plan",
      xaxis: { ...axis, title: { text: "X, mm" }, range: [x0 - room, x1 + room] },
      yaxis: { ...axis, title: { text: "Y, mm" }, range: [y0 - room, y1 + room], scaleanchor: "x" },
      legend: { orientation: "h", y: -0.14, yanchor: "top" }, showlegend: true, hovermode: "closest",
    }, { ...config, scrollZoom: !narrow });
  }

  function drawSide() {
    const travel = shown.travels[state.travel];
    byId("side").hidden = !travel;
    if (!travel) return;
    const [s, printed, allowed] = travel.ground;
    const heights = [...travel.z, ...allowed.filter((z) => z > 0), ...(travel.side ? travel.side[1] : [])];
    const low = Math.min(...travel.z) - 0.5, high = Math.max(...heights) + 0.2;
    const traces = [
      { x: s, y: printed, name: "printed", fill: "tozeroy", fillcolor: "#bbbbbb", line: { color: "#777777", width: 1 } },
      { x: s, y: allowed, name: "allowance for curl", fill: "tonexty", fillcolor: orange, line: { color: orange, width: 1 } },
      { x: travel.s, y: travel.z, name: "nozzle, as it came", line: { color: ink, width: 2, dash: "dash" } },
    ];
    if (travel.side && state.after) {
      traces.push({
        x: travel.side[0], y: travel.side[1], name: "nozzle, rewritten", mode: "lines+markers",
        line: { color: blue, width: 3 }, marker: { color: blue, size: 7 },
      });
    }
    Plotly.react("side", traces.map((trace) => ({ type: "scatter", mode: "lines", ...trace })), {
      font, margin: { l: 52, r: 8, t: 8, b: 90 }, dragmode: false, hovermode: "x unified",
      xaxis: { title: { text: "way along the travel, mm" }, zeroline: false, gridcolor: "#e8e8e8" },
      yaxis: { title: { text: "Z, mm" }, range: [low, high], gridcolor: "#e8e8e8", zeroline: false },
      legend: { orientation: "h", y: -0.28, yanchor: "top", traceorder: "normal" }, showlegend: true,
    }, { ...config, displayModeBar: false });
  }

  function drawStrip() {
    const x = page.strip.layer, traces = [];
    const add = (name, y, axis, line, more) => traces.push({
      type: "scatter", mode: "lines", name, x, y, yaxis: axis, line: { shape: "hvh", ...line }, ...more,
    });
    add("strikes, as it came", page.strip.before, "y3", { color: vermilion, width: 2, dash: "dot" });
    if (page.changed) {
      add("strikes, rewritten", page.strip.after, "y3", { color: blue, width: 2 });
      add("travels rewritten", page.strip.lifts, "y2", { color: blue, width: 1.5 }, { showlegend: false });
    }
    add("seconds, as it came", page.strip.seconds, "y", { color: ink, width: 1.5, dash: "dot" });
    if (page.changed) add("seconds, rewritten", page.strip.secondsAfter, "y", { color: sky, width: 1.5 });
    const axis = (title, domain) => ({ title: { text: title }, domain, rangemode: "tozero", gridcolor: "#e8e8e8" });
    Plotly.newPlot("strip", traces, {
      font, margin: { l: 56, r: 8, t: 8, b: 80 }, dragmode: false, hovermode: "x unified",
      xaxis: { title: { text: "layer" }, anchor: "y", gridcolor: "#e8e8e8" },
      yaxis: axis("seconds", page.changed ? [0, 0.28] : [0, 0.45]),
      ...(page.changed ? { yaxis2: axis("lifts", [0.36, 0.62]) } : {}),
      yaxis3: axis("strikes", page.changed ? [0.7, 1] : [0.55, 1]),
      legend: { orientation: "h", y: -0.14, yanchor: "top" }, showlegend: true,
      shapes: [{ type: "line", xref: "x", yref: "paper", x0: 1, x1: 1, y0: 0, y1: 1, line: { color: ink, width: 1 } }],
    }, { ...config, displayModeBar: false });
    byId("strip").on("plotly_click", (event) => goToLayer(event.points[0].x));
  }

  function layerWords() {
    const packed = page.layers[state.at], k = packed.i;
    const said = [`Layer ${k + 1} of ${page.layersInAll}, Z ${mm(packed.z / 100)}: ${many(packed.m, "travel")}.`];
    said.push(`${number(page.all.before[k])} would strike as the job came`
      + (page.changed ? `, ${number(page.all.after[k])} as rewritten; ${number(page.all.lifts[k])} rewritten.` : "."));
    if (shown.travels.length < packed.m) said.push(`${number(shown.travels.length)} of the travels are drawn.`);
    if (packed.p[0] < packed.p[1]) said.push(`${number(packed.p[0])} of ${number(packed.p[1])} bead pieces are drawn.`);
    return said.join(" ");
  }

  function travelWords(travel) {
    const length = travel.s[travel.s.length - 1], ends = top(travel);
    const said = [`From line ${travel.line} of the job: ${mm(length)}, ${travel.retracted ? "retracted" : "not retracted"}.`];
    const over = Math.max(0, ...travel.ground[2]) - ends;
    said.push(over > 0.005 ? `What stands under the nozzle's flat, allowance included, reaches ${mm(over)} above its higher end.`
      : "Nothing under the nozzle's flat stands above its higher end.");
    said.push(travel.strikesBefore ? "As it came it would strike." : "As it came it would strike nothing.");
    if (!page.changed) return said.join(" ");
    if (!travel.side) {
      said.push(`It stays as it is: ${page.reasons[travel.reason]}.`);
    } else {
      const lift = Math.max(...travel.side[1]) - ends;
      said.push(lift > 0.005 ? `Rewritten, it rises ${mm(lift)} above its higher end` : "Rewritten, it rises no higher than its ends");
      said.push(travel.strikesAfter ? "and would still strike." : "and would strike nothing.");
    }
    return said.join(" ");
  }

  function showTravel(index) {
    state.travel = shown.travels.length ? Math.min(Math.max(index, 0), shown.travels.length - 1) : -1;
    byId("travel").value = String(state.travel);
    byId("travel-said").textContent = state.travel < 0 ? "No travel of this layer is drawn." : travelWords(shown.travels[state.travel]);
    drawPlan();
    drawSide();
  }

  function listTravels() {
    const options = shown.travels.map((travel, index) => {
      const option = document.createElement("option");
      const what = travel.strikesBefore ? "would strike" : "strikes nothing";
      const became = page.changed && travel.side ? ", rewritten" : "";
      option.value = String(index);
      option.textContent = `${index + 1} of ${shown.travels.length}: line ${travel.line}, ${mm(travel.s[travel.s.length - 1])}, ${what}${became}`;
      return option;
    });
    byId("travel").replaceChildren(...options);
  }

  // The longest travel that would strike, as the job came; the first where none would.
  function tellingTravel() {
    const length = (travel) => (travel.strikesBefore ? travel.s[travel.s.length - 1] : 0);
    let best = 0;
    shown.travels.forEach((travel, index) => {
      if (length(travel) > length(shown.travels[best])) best = index;
    });
    return best;
  }

  function showLayer(at) {
    state.at = Math.min(Math.max(at, 0), page.layers.length - 1);
    const packed = page.layers[state.at];
    shown = readLayer(packed);
    byId("layer").value = String(state.at);
    byId("layer").setAttribute("aria-valuetext", `layer ${packed.i + 1}`);
    byId("layer-number").value = String(packed.i + 1);
    byId("layer-said").textContent = layerWords();
    Plotly.relayout("strip", { "shapes[0].x0": packed.i + 1, "shapes[0].x1": packed.i + 1 });
    listTravels();
    showTravel(tellingTravel());
  }

  // The drawn layer nearest to a number from 1.
  function goToLayer(wanted) {
    let best = 0;
    page.layers.forEach((layer, k) => {
      if (Math.abs(layer.i + 1 - wanted) < Math.abs(page.layers[best].i + 1 - wanted)) best = k;
    });
    showLayer(best);
  }

  function worst() {
    let best = 0;
    page.layers.forEach((layer, k) => {
      if (page.all.before[layer.i] > page.all.before[page.layers[best].i]) best = k;
    });
    return best;
  }

  byId("layer").max = String(page.layers.length - 1);
  byId("layer").addEventListener("input", (event) => showLayer(Number(event.target.value)));
  byId("layer-number").addEventListener("change", (event) => goToLayer(Number(event.target.value)));
  byId("layer-down").addEventListener("click", () => showLayer(state.at - 1));
  byId("layer-up").addEventListener("click", () => showLayer(state.at + 1));
  byId("travel").addEventListener("change", (event) => showTravel(Number(event.target.value)));
  byId("travel-before").addEventListener("click", () => showTravel(state.travel - 1));
  byId("travel-next").addEventListener("click", () => showTravel(state.travel + 1));
  document.querySelectorAll("input[name=side]").forEach((radio) => radio.addEventListener("change", () => {
    state.after = radio.value === "after" && radio.checked;
    drawPlan();
    drawSide();
  }));
  document.querySelectorAll("button[data-layer]").forEach((button) => button.addEventListener("click", () => {
    goToLayer(Number(button.dataset.layer));
    byId("layer").focus();
  }));
  byId("controls").hidden = false;
  drawStrip();
  showLayer(worst());
  byId("plan").on("plotly_click", (event) => {
    const point = event.points.find((each) => typeof each.customdata === "number");
    if (point) showTravel(point.customdata);
  });
  document.documentElement.dataset.drawn = "yes";
})();
