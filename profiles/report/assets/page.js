"use strict";
// Draws the plots of the page from the figures that stand in it, each when it
// comes into sight. Without this script the tables say the same.
(() => {
  const data = JSON.parse(document.getElementById("plots").textContent);
  const root = document.documentElement;
  const drawn = new Map(); // place on the page -> uPlot
  const times = Array.from({ length: data.columns }, (_, i) => ((i + 0.5) * data.seconds) / data.columns);

  const colour = (name) => getComputedStyle(root).getPropertyValue("--" + name).trim();
  const font = (px) => `${px}px ${getComputedStyle(document.body).fontFamily}`;
  const curves = ["curve", "curve-2", "curve-3"];

  // short writes a figure with up to three digits and its unit.
  function short(x, unit) {
    if (unit === "ms" && Math.abs(x) >= 1000) return short(x / 1000, "s");
    const text = Number(x.toPrecision(3)).toString();
    return unit ? text + "\u202f" + unit : text;
  }

  // scaleOf returns the range of a plot's value axis: all lines and limits.
  function scaleOf(plot) {
    let low = Infinity, high = -Infinity;
    for (const line of plot.lines) {
      for (const x of line.min) if (x !== null) low = Math.min(low, x);
      for (const x of line.max) if (x !== null) high = Math.max(high, x);
    }
    const seen = high - low;
    for (const l of plot.limits || []) {
      // A band that is far wider than the values would press them flat.
      if (plot.log || plot.zero || (seen > 0 && l.at > low - 2 * seen && l.at < high + 2 * seen)) {
        low = Math.min(low, l.at);
        high = Math.max(high, l.at);
      }
    }
    if (!(high >= low)) return [0, 1]; // nothing to draw a line of
    if (plot.log) return [10 ** Math.floor(Math.log10(low * 0.9)), 10 ** Math.ceil(Math.log10(high * 1.1))];
    if (plot.zero) return [0, Math.max(high * 1.12, 1)];
    const room = high > low ? (high - low) * 0.08 : Math.abs(high) * 0.1 || 1;
    return [low - room, high + room];
  }

  // decades lists the powers of ten on a logarithmic axis.
  function decades(low, high) {
    const list = [];
    for (let x = low; x <= high * 1.001; x *= 10) list.push(x);
    return list;
  }

  // background shades the stages and what is missing; it comes under the lines.
  function background(plot) {
    return (u) => {
      const { ctx } = u, { left, top, width, height } = u.bbox, ratio = devicePixelRatio;
      const x = (t) => Math.min(left + width, Math.max(left, u.valToPos(t, "x", true)));
      ctx.save();
      ctx.font = font(12 * ratio);
      ctx.textBaseline = "top";
      let after = left;
      data.stages.forEach((s, i) => {
        const from = x(s.from), to = x(s.to);
        ctx.fillStyle = colour("stage");
        if (i % 2 === 0) ctx.fillRect(from, top, to - from, height);
        ctx.fillStyle = colour("quiet");
        const wide = ctx.measureText(s.label).width;
        if (from >= after && from + wide + 8 * ratio < left + width) {
          ctx.fillText(s.label, from + 4 * ratio, top - 15 * ratio);
          after = from + wide + 12 * ratio;
        }
      });
      for (const s of plot.shades || []) {
        const from = x(s.from), to = Math.max(from + ratio, x(s.to));
        ctx.fillStyle = colour("fail-tint");
        ctx.fillRect(from, top, to - from, height);
        ctx.fillStyle = colour("fail");
        ctx.fillRect(from, top + height - 4 * ratio, to - from, 4 * ratio);
        if (ctx.measureText(s.label).width + 8 * ratio < to - from) ctx.fillText(s.label, from + 4 * ratio, top + (6 + 11 * (plot.breaks || []).length) * ratio);
      }
      ctx.restore();
    };
  }

  // foreground draws the limits and the breaks over the lines.
  function foreground(plot) {
    return (u) => {
      const { ctx } = u, { left, top, width, height } = u.bbox, ratio = devicePixelRatio;
      ctx.save();
      ctx.beginPath();
      ctx.rect(left, top, width, height);
      ctx.clip();
      ctx.font = font(12 * ratio);
      for (const l of plot.limits || []) {
        const y = Math.round(u.valToPos(l.at, "y", true));
        if (!(y >= top && y <= top + height)) continue;
        ctx.strokeStyle = ctx.fillStyle = colour(l.soft ? "quiet" : "fail");
        ctx.lineWidth = (l.soft ? 1 : 1.75) * ratio;
        ctx.setLineDash(l.soft ? [2 * ratio, 4 * ratio] : [8 * ratio, 4 * ratio]);
        ctx.beginPath();
        ctx.moveTo(left, y);
        ctx.lineTo(left + width, y);
        ctx.stroke();
        const above = y - top > 20 * ratio;
        ctx.textBaseline = above ? "bottom" : "top";
        ctx.textAlign = "right";
        ctx.fillText(`${l.label} ${short(l.at, plot.unit)}`, left + width - 6 * ratio, y + (above ? -2 : 3) * ratio);
      }
      ctx.setLineDash([]);
      ctx.strokeStyle = colour("fail");
      ctx.lineWidth = 2 * ratio;
      (plot.breaks || []).forEach((b, row) => {
        for (const at of b.at) {
          const x = u.valToPos(times[at], "x", true), y = top + (4 + 11 * row) * ratio;
          ctx.beginPath();
          ctx.moveTo(x, y);
          ctx.lineTo(x, y + 9 * ratio);
          ctx.stroke();
        }
      });
      ctx.restore();
    };
  }

  // reading writes what stands under the pointer.
  function reading(plot, place) {
    const out = place.parentElement.querySelector(".reading");
    return (u) => {
      const i = u.cursor.idx;
      if (i == null || !out) return;
      const parts = plot.lines.map((line) => {
        const low = line.min[i], high = line.max[i];
        if (low === null) return null;
        const text = low === high ? short(high, plot.unit) : `${short(low)} to ${short(high, plot.unit)}`;
        return plot.lines.length > 1 ? `${line.name} ${text}` : text;
      }).filter((t) => t !== null);
      const broken = (plot.breaks || []).filter((b) => b.at.includes(i)).map((b) => b.label);
      out.textContent = `At ${plot.bins ? plot.bins[i] : short(times[i], "s")}: ${[...parts, ...broken].join("; ") || "nothing"}`;
    };
  }

  // abscissa returns the places of a plot's columns: times, or numbers of bins.
  function abscissa(plot) {
    return plot.bins ? plot.bins.map((_, i) => i) : times;
  }

  // axisOf describes the lower axis of a plot: seconds, or the names of bins, as
  // many of them as there is room for.
  function axisOf(plot, width) {
    if (!plot.bins) return { space: width < 560 ? 60 : 80, values: (_, list) => list.map((v) => (v === null ? "" : short(v, "s"))) };
    const longest = Math.max(...plot.bins.map((b) => b.length)) * 7 + 16;
    const every = Math.max(1, Math.ceil((longest * plot.bins.length) / (width - 66)));
    return { splits: () => abscissa(plot), values: () => plot.bins.map((b, i) => (i % every ? "" : b)) };
  }

  // seriesOf gives every line two series, least and greatest, filled between.
  function seriesOf(plot) {
    const series = [{}], columns = [abscissa(plot)], bands = [];
    plot.lines.forEach((line, i) => {
      const stroke = colour(curves[i % curves.length]);
      for (const half of [line.max, line.min]) {
        series.push({ stroke, width: line.mid ? 0.5 : 1.5, points: { show: Boolean(line.mid), size: 4, fill: stroke } });
        columns.push(half);
      }
      bands.push({ series: [series.length - 2, series.length - 1], fill: `color-mix(in srgb, ${stroke} 22%, transparent)` });
      if (line.mid) {
        const width = i === 0 ? 5 : 2; // what lies under another line still shows
        series.push({ stroke, width, points: { show: true, size: i === 0 ? 12 : 7, fill: stroke } });
        columns.push(line.mid);
      }
    });
    return { series, columns, bands };
  }

  function draw(place) {
    if (drawn.has(place)) drawn.get(place).destroy();
    place.textContent = "";
    const plot = data.plots[Number(place.dataset.plot)];
    const width = place.clientWidth, narrow = width < 560;
    const { series, columns, bands } = seriesOf(plot);
    const [low, high] = scaleOf(plot);
    const nothing = plot.lines.every((line) => line.max.every((x) => x === null));
    const axis = { stroke: colour("quiet"), font: font(12), grid: { stroke: colour("grid"), width: 1 }, ticks: { show: false } };
    const chart = new uPlot({
      width, height: narrow ? 206 : 246, padding: [22, 8, 0, 0], series, bands,
      legend: { show: false },
      cursor: { y: false, points: { show: false }, drag: { x: false, y: false } },
      scales: { x: { time: false, range: plot.bins ? [-0.5, plot.bins.length - 0.5] : [0, data.seconds] }, y: { range: [low, high], distr: plot.log ? 3 : 1 } },
      axes: [
        { ...axis, size: 26, ...axisOf(plot, width) },
        { ...axis, size: narrow ? 54 : 66, splits: plot.log ? () => decades(low, high) : undefined, values: (_, list) => list.map((v) => (v === null || nothing ? "" : short(v, plot.unit))) },
      ],
      hooks: { drawClear: plot.bins ? [] : [background(plot)], draw: [foreground(plot)], setCursor: [reading(plot, place)] },
    }, columns, place);
    drawn.set(place, chart);
    place.dataset.width = String(width);
  }

  const places = [...document.querySelectorAll(".plot")];
  const visible = (place) => place.clientWidth > 0;
  const watch = new IntersectionObserver((entries) => {
    for (const e of entries) if (e.isIntersecting && visible(e.target) && !drawn.has(e.target)) draw(e.target);
  }, { rootMargin: "600px" });
  places.forEach((p) => watch.observe(p));

  const again = () => { for (const p of drawn.keys()) if (visible(p)) draw(p); };
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
  let pending = 0;
  addEventListener("resize", () => {
    cancelAnimationFrame(pending);
    pending = requestAnimationFrame(() => {
      for (const p of drawn.keys()) if (visible(p) && p.dataset.width !== String(p.clientWidth)) draw(p);
    });
  });

  // On paper everything that is open is drawn, in the colours of paper. Findings
  // are no details: all of them are printed.
  addEventListener("beforeprint", () => {
    root.classList.add("paper");
    document.querySelectorAll(".more").forEach((d) => { d.open = true; });
    places.filter(visible).forEach(draw);
  });
  addEventListener("afterprint", () => { root.classList.remove("paper"); again(); });

  // A link into something folded unfolds it.
  const reveal = () => {
    const target = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    for (let e = target; e; e = e.parentElement) if (e.tagName === "DETAILS") e.open = true;
    if (target) target.scrollIntoView();
  };
  addEventListener("hashchange", reveal);
  if (location.hash) reveal();

  const all = document.createElement("button");
  all.type = "button";
  all.className = "everything";
  const label = (open) => { all.textContent = open ? "Fold everything" : "Unfold everything"; };
  label(false);
  all.addEventListener("click", () => {
    const list = [...document.querySelectorAll("details")], open = !list.every((d) => d.open);
    list.forEach((d) => { d.open = open; });
    label(open);
  });
  document.querySelector(".top").append(all);
})();
