// The map of a season: units, trails and sign of one month at a time, chosen by a slider.
// All words from the record are set as text, never as markup.
"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const { style, unit, area } = data;
  const byId = (id) => document.getElementById(id);
  const PX = 4 / 3; // pixels in a printer's point
  const show = { presence: true, effort: true, trails: true, sign: false, transects: true, parcels: true, grid: true };
  let now = data.first;
  let scale = 1;

  // Coordinates come as whole hundred-thousandths of a degree, each less the one before.
  function places(deltas) {
    const found = [];
    let lon = 0, lat = 0;
    for (let at = 0; at < deltas.length; at += 2) {
      lon += deltas[at];
      lat += deltas[at + 1];
      found.push([lat / 1e5, lon / 1e5]);
    }
    return found;
  }

  function element(name, text, of) {
    const made = document.createElement(name);
    if (text !== undefined) made.textContent = text;
    if (of) of.append(made);
    return made;
  }

  function popup(title, rows, note) {
    const box = element("div");
    element("h3", title, box).dir = "auto";
    const list = element("dl", undefined, box);
    for (const [term, said] of rows) {
      element("dt", term, list);
      element("dd", said, list).dir = "auto";
    }
    if (note) {
      const line = element("p", note, box);
      line.className = "note";
      line.dir = "auto";
    }
    return box;
  }

  function percent(thousandths) {
    if (thousandths < 0) return "not known";
    if (thousandths <= 5) return "under 1 %";
    if (thousandths >= 995) return "over 99 %";
    return `${Math.round(thousandths / 10)} %`;
  }

  function stroke(ctx, parts, color, width, dash) {
    ctx.beginPath();
    for (const part of parts) part.forEach((p, at) => (at ? ctx.lineTo(p.x, p.y) : ctx.moveTo(p.x, p.y)));
    ctx.setLineDash(dash || []);
    ctx.lineCap = "butt";
    ctx.lineJoin = "round";
    ctx.strokeStyle = color;
    ctx.lineWidth = width;
    ctx.stroke();
    ctx.setLineDash([]);
  }

  function fill(ctx, parts, color, share) {
    ctx.beginPath();
    for (const part of parts) {
      const x = part.reduce((sum, p) => sum + p.x, 0) / part.length;
      const y = part.reduce((sum, p) => sum + p.y, 0) / part.length;
      const factor = Math.sqrt(share);
      part.forEach((p, at) => {
        const to = [x + (p.x - x) * factor, y + (p.y - y) * factor];
        at ? ctx.lineTo(...to) : ctx.moveTo(...to);
      });
      ctx.closePath();
    }
    ctx.fillStyle = color;
    ctx.fill("evenodd");
  }

  // One unit, by state, step of its probability and step of its upper limit.
  function drawLine(ctx, parts, state, step, high, by) {
    const look = style.states[state];
    if (look.dotted) {
      stroke(ctx, parts, style.quiet, 0.8);
      stroke(ctx, parts, look.color, style.plain * PX, [3, 4]);
      return;
    }
    const core = style.weights[step].width * PX * by;
    const edge = style.weights[high].width * PX * by;
    if (edge > core) stroke(ctx, parts, look.edge, edge);
    stroke(ctx, parts, look.color, core);
  }

  function drawArea(ctx, parts, state, step, high) {
    const look = style.states[state];
    stroke(ctx, parts.map((part) => [...part, part[0]]), style.outline, 1);
    if (look.dotted) {
      for (const part of parts) {
        const xs = part.map((p) => p.x), ys = part.map((p) => p.y);
        const ends = [{ x: Math.min(...xs), y: Math.max(...ys) }, { x: Math.max(...xs), y: Math.min(...ys) }];
        stroke(ctx, [ends], style.quiet, 1.1);
      }
      return;
    }
    if (high > step) fill(ctx, parts, look.edge, style.weights[high].core);
    fill(ctx, parts, look.color, style.weights[step].core);
  }

  // A mark beside the middle of a line for each visit, at most as many as on paper.
  function drawTally(ctx, part, visits, off) {
    const marks = Math.min(visits, style.tallyMost);
    const lengths = part.slice(1).map((p, at) => p.distanceTo(part[at]));
    const whole = lengths.reduce((sum, length) => sum + length, 0);
    const gap = 2.6 * PX;
    if (!marks || whole < (style.tallyMost + 1) * gap) return;
    for (let mark = 0; mark < marks; mark += 1) {
      let along = whole / 2 + (mark - (marks - 1) / 2) * gap;
      let at = 0;
      while (at < lengths.length - 1 && along > lengths[at]) along -= lengths[at++];
      const [from, to] = [part[at], part[at + 1]];
      const way = { x: (to.x - from.x) / lengths[at], y: (to.y - from.y) / lengths[at] };
      const foot = { x: from.x + way.x * along + way.y * off, y: from.y + way.y * along - way.x * off };
      const tip = { x: foot.x + way.y * style.tally * PX, y: foot.y - way.x * style.tally * PX };
      stroke(ctx, [[foot, tip]], style.ink, 1.1);
    }
  }

  function drawTrail(ctx, parts, look, way) {
    stroke(ctx, parts, style.paper, 3.5);
    stroke(ctx, parts, look.edge, 1.4);
    const all = parts.flat();
    drawMark(ctx, all[Math.floor((all.length - 1) / 2)], look, way);
  }

  function drawMark(ctx, at, look, way) {
    ctx.beginPath();
    if (way < 0) {
      ctx.arc(at.x, at.y, 3.6, 0, 2 * Math.PI);
    } else {
      const turn = (way * Math.PI) / 180;
      for (const [x, y] of [[0, 0.6], [-0.36, -0.4], [0, -0.18], [0.36, -0.4]]) {
        const size = style.arrow * PX;
        ctx.lineTo(
          at.x + (x * Math.cos(turn) + y * Math.sin(turn)) * size,
          at.y + (x * Math.sin(turn) - y * Math.cos(turn)) * size,
        );
      }
      ctx.closePath();
    }
    // A pale rim keeps the mark readable on the dark line of a unit.
    for (const [color, width] of [[style.paper, 4], [look.edge, 1.2]]) {
      ctx.strokeStyle = color;
      ctx.lineWidth = width;
      ctx.stroke();
    }
    ctx.fillStyle = look.fill;
    ctx.fill();
  }

  const map = L.map("map", {
    attributionControl: false, preferCanvas: true, zoomSnap: 0.25, zoomDelta: 1, keyboard: true, zoomAnimation: false,
    fadeAnimation: false, renderer: L.canvas({ tolerance: 6, padding: 0.3 }),
  });

  const drawUnit = {
    _updatePath() {
      const canvas = this._renderer;
      if (!canvas._drawing || !this._parts.length) return;
      const ctx = canvas._ctx;
      const month = data.months[now];
      const at = this.options.at;
      const step = Number(month.step[at]), high = Math.max(step, Number(month.high[at]));
      ctx.save();
      ctx.globalAlpha = 1;
      if (this.options.areal) {
        if (show.presence) drawArea(ctx, this._parts, month.states[at], step, high);
      } else {
        if (show.presence) drawLine(ctx, this._parts, month.states[at], step, high, scale);
        if (show.effort) {
          const wide = (style.weights[high].width * scale) / 2 + 1.4;
          drawTally(ctx, this._parts[0], month.visits[at], wide * PX);
        }
      }
      ctx.restore();
    },
  };
  const UnitLine = L.Polyline.extend(drawUnit);
  const UnitArea = L.Polygon.extend(drawUnit);
  const TrailLine = L.Polyline.extend({
    _updatePath() {
      if (!this._renderer._drawing || !this._parts.length) return;
      drawTrail(this._renderer._ctx, this._parts, style.trails[this.options.look], this.options.way);
    },
    _containsPoint(point) {
      return this._parts.some((part) => part.some((p) => p.distanceTo(point) < 10));
    },
  });

  const SignMark = L.CircleMarker.extend({
    _updatePath() {
      if (this._renderer._drawing && !this._empty()) drawMark(this._renderer._ctx, this._point, style.trails[this.options.look], -1);
    },
  });

  function unitPopup(at) {
    const month = data.months[now];
    const known = month.p[at] >= 0;
    const limits = known ? `${percent(month.p[at])} (95 % limits ${percent(month.low[at])} to ${percent(month.up[at])})` : "cannot be told";
    const rows = [
      ["Month", month.name],
      ["State", style.states[month.states[at]].label],
      [area[at] === "1" ? "Share of its segments used" : "Used, probability", limits],
      ["Visits", String(month.visits[at])],
      ["Walked", `${(month.walked[at] / 100).toFixed(1)} ${data.long}`],
    ];
    if (month.expected[at] > 0) rows.push([`Trails of ${data.taxon}`, `${(month.expected[at] / 100).toFixed(2)}, summed by probability`]);
    return popup(data.names[at], rows);
  }

  const units = data.shapes.map((shape, at) => {
    const parts = shape.map(places);
    const areal = area[at] === "1";
    const options = { at, areal, noClip: true, weight: 8, fillOpacity: 1 };
    const made = areal ? new UnitArea(parts.map((part) => [part]), options) : new UnitLine(parts, options);
    return made.bindPopup(() => unitPopup(at));
  });

  const trails = data.trails.map((row) => {
    const line = new TrailLine(row.line.map(places), { way: row.way, look: row.look, noClip: true });
    return Object.assign(line.bindPopup(() => popup(row.name, row.rows)), { month: row.month });
  });

  const sign = data.sign.map((row) => {
    const mark = new SignMark(places(row.at)[0], { radius: 5, look: row.look });
    return Object.assign(mark.bindPopup(() => popup(row.name, row.rows, row.note)), { month: row.month });
  });

  const layers = {
    transects: L.layerGroup(data.transects.flatMap((row) => {
      const parts = row.line.map(places);
      const line = L.polyline(parts, { color: style.hairline, weight: 1.2, interactive: false });
      return [line, nameAt(parts[0][0], row.name, away(parts[0]))];
    })),
    parcels: L.layerGroup(data.parcels.flatMap((row) => {
      const parts = row.line.map(places);
      const ring = L.polygon(parts, { color: style.parcel, weight: 1.2, dashArray: "7 3", fill: false, interactive: false });
      return [ring, nameAt(L.latLngBounds(parts[0]).getCenter(), row.name, "center")];
    })),
    grid: L.layerGroup(),
    units: L.layerGroup(units),
    trails: L.layerGroup(),
    sign: L.layerGroup(),
  };

  // The side of its first place on which a line does not run.
  function away(line) {
    const [first, later] = [line[0], line[Math.floor(line.length / 4) + 1] || line[0]];
    const north = later[0] - first[0];
    const east = (later[1] - first[1]) * Math.cos((first[0] * Math.PI) / 180);
    if (Math.abs(east) > Math.abs(north)) return east > 0 ? "left" : "right";
    return north > 0 ? "bottom" : "top";
  }

  function nameAt(place, name, direction) {
    const label = element("span", name.length > 22 ? `${name.slice(0, 21)}\u2026` : name);
    label.dir = "auto";
    return L.tooltip({ permanent: true, direction, className: "line-name", interactive: false }).setLatLng(place).setContent(label);
  }

  function drawGrid() {
    layers.grid.clearLayers();
    const box = map.getBounds();
    const span = Math.max(box.getEast() - box.getWest(), 1e-4);
    const least = (span / map.getSize().x) * 110; // degrees that a label needs
    const power = 10 ** Math.floor(Math.log10(least));
    const step = [1, 2, 5, 10].map((n) => n * power).find((n) => n >= least);
    const decimals = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
    const look = { color: style.hairline, weight: 1, interactive: false };
    const label = (at, said, anchor) => L.marker(at, {
      interactive: false, keyboard: false,
      icon: L.divIcon({ className: "grid-label", html: element("span", said), iconSize: null, iconAnchor: anchor }),
    });
    for (let at = Math.ceil(box.getWest() / step); at * step <= box.getEast(); at += 1) {
      const lon = at * step;
      const true_lon = ((lon + 540) % 360) - 180;
      layers.grid.addLayer(L.polyline([[box.getSouth(), lon], [box.getNorth(), lon]], look));
      layers.grid.addLayer(label([box.getNorth(), lon], `${Math.abs(true_lon).toFixed(decimals)}\u00b0 ${true_lon < 0 ? "W" : "E"}`, [-3, -1]));
    }
    for (let at = Math.ceil(box.getSouth() / step); at * step <= box.getNorth(); at += 1) {
      const lat = at * step;
      layers.grid.addLayer(L.polyline([[lat, box.getWest()], [lat, box.getEast()]], look));
      layers.grid.addLayer(label([lat, box.getEast()], `${Math.abs(lat).toFixed(decimals)}\u00b0 ${lat < 0 ? "S" : "N"}`, [58, 16]));
    }
    layers.grid.eachLayer((line) => line.bringToBack && line.bringToBack());
  }

  // Lines that are short on the screen are drawn lighter, so that they stay longer than wide.
  function measure() {
    const lengths = units.filter((made) => !made.options.areal).map((made) => {
      const box = made.getBounds();
      return map.latLngToLayerPoint(box.getSouthWest()).distanceTo(map.latLngToLayerPoint(box.getNorthEast()));
    }).sort((a, b) => a - b);
    if (!lengths.length) return;
    scale = Math.min(1, Math.max(0.35, lengths[lengths.length >> 1] / PX / 18));
    map.getContainer().classList.toggle("crowded", scale < 0.6);
  }

  function redraw() {
    for (const made of units) made.redraw();
  }

  function turnTo(month) {
    now = month;
    const { name, said } = data.months[now];
    byId("slider").value = String(now);
    byId("slider").setAttribute("aria-valuetext", name);
    byId("which").textContent = name;
    byId("said").textContent = said;
    byId("earlier").disabled = now === 0;
    byId("later").disabled = now === data.months.length - 1;
    map.closePopup();
    for (const [group, all] of [[layers.trails, trails], [layers.sign, sign]]) {
      group.clearLayers();
      all.filter((row) => row.month === now).forEach((row) => group.addLayer(row));
    }
    for (const state of ["found_likely", "found_sure"]) {
      units.forEach((made, at) => data.months[now].states[at] === state && made._map && made.bringToFront());
    }
    layers.trails.eachLayer((line) => line._map && line.bringToFront());
    layers.sign.eachLayer((mark) => mark._map && mark.bringToFront());
    redraw();
  }

  const choices = [
    ["presence", `Presence, by ${unit}`, true], ["effort", "Effort: a mark a visit", area.includes("0")],
    ["trails", `Trails`, trails.length > 0], ["sign", "Sign, with its evidence", sign.length > 0],
    ["transects", "Transects", data.transects.length > 0], ["parcels", "Holdings", data.parcels.length > 0],
    ["grid", "Grid of degrees", true],
  ];
  for (const [key, words, there] of choices) {
    if (!there) continue;
    const label = element("label", undefined, byId("layers"));
    const box = element("input", undefined, label);
    box.type = "checkbox";
    box.id = `layer-${key}`;
    box.checked = show[key];
    element("span", words, label);
    box.addEventListener("change", () => {
      show[key] = box.checked;
      const group = layers[key];
      if (group) box.checked ? group.addTo(map) : group.remove();
      turnTo(now);
    });
  }

  function key(title, entries) {
    element("h2", title, byId("keys"));
    const list = element("ul", undefined, byId("keys"));
    list.className = "key";
    for (const [words, draw] of entries) {
      const item = element("li", undefined, list);
      const canvas = element("canvas", undefined, item);
      canvas.width = 92;
      canvas.height = 44;
      canvas.style.width = "46px";
      canvas.style.height = "22px";
      canvas.setAttribute("aria-hidden", "true");
      const ctx = canvas.getContext("2d");
      ctx.scale(2, 2);
      draw(ctx);
      element("span", words, item);
    }
  }

  const sample = [[L.point(2, 11), L.point(44, 11)]];
  const box = [[L.point(8, 3), L.point(38, 3), L.point(38, 19), L.point(8, 19)]];
  const areal = !area.includes("0");
  const drawSample = (state, step, high) => (ctx) =>
    areal ? drawArea(ctx, box, state, step, high) : drawLine(ctx, sample, state, step, high, 1);
  key("States", Object.entries(style.states).map(([name, look]) => [look.label, drawSample(name, areal ? 3 : 2, areal ? 3 : 2)]));
  const steps = style.weights.map((step, at) => [step.label, drawSample("n", at, at)]);
  steps.push([`${style.weights[0].label}, upper 95 % limit ${style.weights[2].label}`, drawSample("n", 0, 2)]);
  key(areal ? "Share used: how much is filled" : "How probable use is: weight", steps);
  if (trails.length) {
    key(`Trails: probability of ${data.taxon}`, style.trails.map((look) => [
      look.label, (ctx) => { drawTrail(ctx, [[L.point(2, 11), L.point(14, 11), L.point(28, 11)]], look, 90); drawTrail(ctx, [[L.point(38, 11)]], look, -1); },
    ]));
  }

  data.names.forEach((name) => { element("option", undefined, byId("names")).value = name; });
  byId("find").addEventListener("change", () => {
    const at = data.names.indexOf(byId("find").value.trim());
    if (at < 0) return;
    const middle = units[at].getBounds().getCenter();
    map.setView(middle, Math.max(map.getZoom(), 13), { animate: false });
    units[at].openPopup(middle);
  });
  byId("slider").addEventListener("input", () => turnTo(Number(byId("slider").value)));
  byId("earlier").addEventListener("click", () => turnTo(now - 1));
  byId("later").addEventListener("click", () => turnTo(now + 1));
  map.on("zoomend", () => { measure(); redraw(); });
  map.on("moveend", drawGrid);

  // Names stand beside the ends of lines: a wide window leaves them room.
  const beside = map.getSize().x > 600 ? 110 : 16;
  map.fitBounds(L.latLngBounds(units.map((made) => made.getBounds()).reduce((all, part) => all.extend(part), L.latLngBounds([]))), { padding: [beside, 24], animate: false });
  for (const name of ["grid", "transects", "parcels", "units", "trails", "sign"]) {
    if (show[name] !== false) layers[name].addTo(map);
  }
  L.control.scale({ metric: data.long === "km", imperial: data.long !== "km", maxWidth: 140 }).addTo(map);
  measure();
  drawGrid();
  turnTo(now);
  document.documentElement.dataset.ready = "yes";
})();
