// Draws the curves. What tells them apart is the dash and the name at the end of each; colour only helps.
"use strict";
(() => {
  const home = document.getElementById("charts");
  const told = document.getElementById("drawing");
  const DASHES = [[], [12, 5], [3, 4], [14, 4, 3, 4], [6, 3], [20, 6], [2, 7], [10, 3, 2, 3, 2, 3]];
  const TIER_DASHES = { 1: [1, 5], 2: [5, 5], 3: [12, 5], 4: [] };
  const HEIGHT = { temperature: 340, humidity: 220, gusts: 220 };
  let drawn = [];
  let data = null;

  const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const dark = matchMedia("(prefers-color-scheme: dark)");

  function colours() {
    return dark.matches
      ? ["#9be3c2", "#ffbf9b", "#9ec9ff", "#e6c7ff", "#f5e38a", "#ff9fb8", "#b6f0f0", "#dddddd"]
      : ["#0b4a37", "#8a2d00", "#0b3d8a", "#5c1f7a", "#5a4a00", "#8a0f3c", "#005a5a", "#333333"];
  }

  function clock(zone, us) {
    const page = document.documentElement.lang;
    const tongue = page.startsWith("en") ? (us ? "en-US" : "en-GB") : page;
    const time = new Intl.DateTimeFormat(tongue, { timeZone: zone, hour: us ? "numeric" : "2-digit", minute: "2-digit", hourCycle: us ? "h12" : "h23" });
    const day = new Intl.DateTimeFormat(tongue, { timeZone: zone, weekday: "short", day: "numeric", month: "short" });
    const weekday = new Intl.DateTimeFormat(page.startsWith("en") ? "en-GB" : page, { timeZone: zone, weekday: "short" });
    return { time: (s) => time.format(s * 1000), day: (s) => day.format(s * 1000), weekday: (s) => weekday.format(s * 1000) };
  }

  // hours and days of the garden, also on the days on which the clocks change
  function splits(zone, span) {
    const hour = new Intl.DateTimeFormat("en-GB", { timeZone: zone, hour: "2-digit", hour12: false });
    return (u, axis, min, max) => {
      const every = span === "week" ? 24 : u.width < 500 ? 6 : 3;
      const found = [];
      for (let s = Math.ceil(min / 3600) * 3600; s <= max; s += 3600) if (Number(hour.format(s * 1000)) % every === 0) found.push(s);
      return found;
    };
  }

  // words stay readable where a line runs through them
  function write(c, text, x, y) {
    c.save();
    c.setLineDash([]);
    c.lineWidth = 4 * devicePixelRatio;
    c.lineJoin = "round";
    c.strokeStyle = ink("--paper");
    c.strokeText(text, x, y);
    c.restore();
    c.fillText(text, x, y);
  }

  function ends(lines, strokes) {
    return { hooks: { draw: (u) => {
      const c = u.ctx, px = devicePixelRatio;
      c.save();
      c.font = `600 ${13 * px}px system-ui, sans-serif`;
      c.textAlign = "left";
      c.textBaseline = "middle";
      const names = [];
      lines.forEach((line, i) => {
        const s = u.series[line.at];
        if (!s.show) return;
        for (let k = line.values.length - 1; k >= 0; k--) {
          if (line.values[k] === null) continue;
          names.push({ y: u.valToPos(line.values[k], "y", true), text: line.label, stroke: strokes[i] });
          break;
        }
      });
      names.sort((a, b) => a.y - b.y);
      let last = -Infinity;
      for (const n of names) { n.y = Math.max(n.y, last + 15 * px); last = n.y; }
      const over = Math.max(0, last - (u.bbox.top + u.bbox.height));
      for (const n of names) { c.fillStyle = n.stroke; write(c, n.text, u.bbox.left + u.bbox.width + 6 * px, n.y - over); }
      c.restore();
    } } };
  }

  function tiers(levels) {
    return { hooks: { draw: (u) => {
      const c = u.ctx, px = devicePixelRatio, colour = ink("--ember");
      c.save();
      c.font = `600 ${12 * px}px system-ui, sans-serif`;
      c.textAlign = "left";
      c.textBaseline = "bottom";
      for (const tier of levels) {
        if (tier.level > u.scales.y.max || tier.level < u.scales.y.min) continue;
        const y = Math.round(u.valToPos(tier.level, "y", true));
        c.strokeStyle = colour;
        c.fillStyle = colour;
        c.lineWidth = (0.5 + tier.severity / 2) * px;
        c.setLineDash((TIER_DASHES[tier.severity] || [5, 5]).map((d) => d * px));
        c.beginPath();
        c.moveTo(u.bbox.left, y);
        c.lineTo(u.bbox.left + u.bbox.width, y);
        c.stroke();
        write(c, tier.word, u.bbox.left + 6 * px, y - 2 * px);
      }
      c.restore();
    } } };
  }

  // numbers of entries stand in a room of their own above the drawing: those that would touch go one row down
  const ROWS = 3, ROW = 14;

  function rowsOf(entries, width, from, to) {
    const free = Array(ROWS).fill(-Infinity);
    return entries.map((entry) => {
      if (entry.t < from || entry.t > to) return -1;
      const x = width * (entry.t - from) / (to - from);
      const row = free.findIndex((f) => x - f > 20);
      if (row >= 0) free[row] = x;
      return row;
    });
  }

  function marks(entries, rows) {
    return { hooks: { draw: (u) => {
      const c = u.ctx, px = devicePixelRatio, colour = ink("--quiet");
      c.save();
      c.font = `600 ${12 * px}px system-ui, sans-serif`;
      c.textAlign = "center";
      c.textBaseline = "bottom";
      c.fillStyle = c.strokeStyle = colour;
      c.setLineDash([1 * px, 3 * px]);
      entries.forEach((entry, i) => {
        if (entry.t < u.scales.x.min || entry.t > u.scales.x.max) return;
        const x = Math.round(u.valToPos(entry.t, "x", true));
        const top = u.bbox.top - (rows[i] < 0 ? 0 : (Math.max(...rows) - rows[i]) * ROW * px);
        c.beginPath();
        c.moveTo(x, top);
        c.lineTo(x, u.bbox.top + u.bbox.height);
        c.stroke();
        if (rows[i] >= 0) write(c, String(i + 1), x, top - 1 * px);
      });
      c.restore();
    } } };
  }

  function draw() {
    drawn.forEach((u) => u.destroy());
    drawn = [];
    const times = clock(data.zone, data.us);
    for (const chart of data.charts) {
      const place = home.querySelector(`[data-chart="${chart.kind}"]`);
      if (!place || !chart.lines.length) continue;
      place.replaceChildren();
      const many = colours();
      const series = [{ value: (u, s) => s === null ? "–" : `${times.day(s)} ${times.time(s)}` }];
      const columns = [data.times];
      const bands = [];
      const strokes = [];
      chart.lines.forEach((line, i) => {
        const post = line.post;
        const stroke = post ? ink("--quiet") : many[i % many.length];
        strokes.push(stroke);
        if (line.low) {
          series.push({ label: home.dataset.highest, class: "band", stroke: "transparent", points: { show: false } });
          columns.push(line.high);
          series.push({ label: home.dataset.lowest, class: "band", stroke: "transparent", points: { show: false } });
          columns.push(line.low);
          bands.push({ series: [series.length - 2, series.length - 1], fill: `${stroke}38` });
        }
        line.at = series.length;
        series.push({
          label: line.label, stroke, width: post ? 1.5 : 2.5, dash: post ? [] : DASHES[i % DASHES.length], points: { show: false },
          value: (u, v) => v === null || v === undefined ? "–" : `${v.toFixed(1)} ${chart.unit}`,
        });
        columns.push(line.values);
      });
      const side = 14 + 8 * Math.max(...chart.lines.map((line) => line.label.length));
      const rows = rowsOf(data.entries, place.clientWidth - side - 52, data.times[0], data.times[data.times.length - 1]);
      const axis = { stroke: ink("--ink"), grid: { stroke: ink("--room"), width: 1 }, ticks: { stroke: ink("--room"), width: 1 }, font: "13px system-ui, sans-serif" };
      drawn.push(new uPlot({
        width: place.clientWidth, height: (HEIGHT[chart.kind] || 240) + ROW * (Math.max(-1, ...rows) + 1), series, bands, ms: 1e-3, tzDate: (s) => uPlot.tzDate(new Date(s * 1000), data.zone),
        padding: [8 + ROW * (Math.max(-1, ...rows) + 1), side, 0, 0], cursor: { drag: { x: false, y: false } }, legend: { live: true },
        scales: { x: { time: true }, y: { range: (u, low, high) => range(chart, low, high) } },
        axes: [
          { ...axis, splits: splits(data.zone, data.span), values: (u, found) => found.map((s) => data.span === "week" ? (u.width < 500 ? times.weekday(s) : times.day(s)) : times.time(s)), space: 40 },
          { ...axis, size: 52, values: (u, found) => found.map((v) => `${v}`) },
        ],
        plugins: [marks(data.entries, rows), tiers(chart.tiers), ends(chart.lines, strokes)],
      }, columns, place));
    }
  }

  // the first tier that asks for something is always in the picture
  function range(chart, low, high) {
    if (low === null || high === null) return [0, 1];
    if (chart.kind !== "temperature") return [0, chart.kind === "humidity" ? 100 : Math.max(high * 1.1, 5)];
    const step = data.us ? 1.8 : 1;
    const asked = chart.tiers.find((t) => t.severity >= 2);
    return [low - step, Math.max(high, asked ? asked.level : high) + 2 * step];
  }

  async function start() {
    try {
      const answer = await fetch(home.dataset.from, { credentials: "same-origin" });
      if (!answer.ok) throw new Error(String(answer.status));
      data = await answer.json();
      draw();
      document.documentElement.dataset.drawn = "yes";
    } catch (error) {
      told.textContent = told.dataset.trouble;
      throw error;
    }
  }

  let width = innerWidth;
  addEventListener("resize", () => { if (data && innerWidth !== width) { width = innerWidth; draw(); } });
  dark.addEventListener("change", () => { if (data) draw(); });
  start();
})();
