// Charts: asks the server for a range, lays the columns into the traces, draws, and reads out the cursor.
"use strict";

(function () {
  const charts = new Map();
  const left = new Map(); // charts that were just put away: a page that is put in anew goes on where it was
  const SOON_MS = 2000;
  const STALE_MS = 150;
  const PAPER_PX = 620; // width between the margins of a sheet of A4
  const config = { displayModeBar: false, doubleClick: false, scrollZoom: false, responsive: false };
  let library = null;

  // The drawing library is large; it is fetched once, when the first chart appears.
  function drawing() {
    if (library === null) {
      library = new Promise((done, failed) => {
        const script = document.createElement("script");
        script.src = document.documentElement.dataset.plotly;
        script.onload = () => done(window.Plotly);
        script.onerror = () => {
          library = null;
          failed(new Error("the drawing library did not come"));
        };
        document.head.append(script);
      });
    }
    return library;
  }

  // A page that will hold a chart: let the library come while the page is still being made.
  if (/\/(zone|run)\/|\/head$/.test(window.location.pathname)) {
    drawing().catch(() => undefined);
  }

  function unpack(part) {
    const bytes = Uint8Array.from(atob(part.bdata), (c) => c.charCodeAt(0));
    return part.dtype === "f4" ? new Float32Array(bytes.buffer) : new Uint16Array(bytes.buffer);
  }

  function opened(column) {
    const index = unpack(column.index);
    return {
      ...column,
      x: Float64Array.from(index, (i) => column.start + (i + 0.5) * column.step),
      low: unpack(column.low),
      mean: unpack(column.mean),
      high: unpack(column.high),
      flagged: unpack(column.flagged),
    };
  }

  // The same as dashboard/columns.py: laid().
  function laid(column, role) {
    if (role === "flagged") {
      return {
        x: Array.from(column.flagged, (i) => column.x[i]),
        y: Array.from(column.flagged, (i) => column.high[i]),
      };
    }
    const x = [];
    const y = [];
    const ends = [0, ...column.breaks, column.x.length];
    for (let n = 0; n + 1 < ends.length; n += 1) {
      for (let i = ends[n]; i < ends[n + 1]; i += 1) {
        x.push(column.x[i]);
        y.push(role === "mean" ? column.mean[i] : column.high[i]);
      }
      for (let i = ends[n + 1] - 1; role === "band" && i >= ends[n]; i -= 1) {
        x.push(column.x[i]);
        y.push(column.low[i]);
      }
      x.push(null);
      y.push(null);
    }
    return { x, y };
  }

  function traces(made) {
    return made.data.map((trace) => {
      if (!trace.column) {
        return trace;
      }
      const { column, ...rest } = trace;
      return { ...rest, meta: column.join(" "), ...laid(made.columns[column[0]], column[1]) };
    });
  }

  class Chart {
    constructor(box, was) {
      this.box = box;
      this.plot = box.querySelector(".plot");
      this.cursor = box.querySelector(".cursor");
      this.readout = box.querySelector(".readout");
      this.range = was ? was.range : this.ends();
      this.span = was ? was.span : Number(box.dataset.span);
      this.number = 0;
      this.drawn = 0;
      this.made = null;
      this.retry = null;
      box.addEventListener("click", (event) => this.press(event));
      box.addEventListener("show", (event) => this.show(...event.detail));
      this.plot.addEventListener("keydown", (event) => this.key(event));
      this.plot.addEventListener("pointermove", (event) => this.point(event));
      this.plot.addEventListener("pointerdown", (event) => this.point(event));
      this.plot.addEventListener("pointerleave", () => this.hide());
      this.sizes = new ResizeObserver(() => this.resized());
      this.sizes.observe(this.plot);
      this.load();
    }

    end() {
      this.sizes.disconnect();
      window.clearTimeout(this.retry);
      if (this.loading) {
        this.loading.abort();
      }
      if (window.Plotly && this.drawn) {
        window.Plotly.purge(this.plot);
      }
    }

    address() {
      const query = new URLSearchParams({
        width: Math.round(this.plot.clientWidth),
        units: this.box.dataset.units,
        theme: window.tricklebook.look(),
      });
      if (this.range) {
        query.set("from", this.range[0]);
        query.set("to", this.range[1]);
      } else {
        query.set("span", this.span);
      }
      return this.box.dataset.address + "?" + query + this.options();
    }

    // What the address of the page chose: what stands beside the curve, and how the value axes lie.
    options() {
      return this.box.dataset.options ? "&" + this.box.dataset.options : "";
    }

    // The period that the box opens with; none where it follows the present.
    ends() {
      return this.box.dataset.ends ? this.box.dataset.ends.split(",").map(Number) : null;
    }

    // The last question wins; the picture before it stays until its answer is there.
    async load() {
      const number = ++this.number;
      if (this.loading) {
        this.loading.abort();
      }
      this.loading = new AbortController();
      window.clearTimeout(this.retry);
      try {
        const [answer, Plotly] = await Promise.all([
          fetch(this.address(), { signal: this.loading.signal, cache: "no-store" }),
          drawing(),
        ]);
        if (!answer.ok) {
          throw new Error(String(answer.status));
        }
        const made = await answer.json();
        if (number === this.number) {
          this.draw(Plotly, made);
        }
      } catch (error) {
        if (error.name !== "AbortError" && number === this.number) {
          this.box.querySelector(".shown").textContent = this.box.dataset.failed;
          this.retry = window.setTimeout(() => this.load(), 3000);
        }
      }
    }

    draw(Plotly, made) {
      for (const name of Object.keys(made.columns)) {
        made.columns[name] = opened(made.columns[name]);
      }
      this.made = made;
      made.layout.width = this.plot.clientWidth;
      this.plot.style.height = made.height + "px";
      this.plot.parentElement.style.setProperty("--on-paper", Math.min(1, PAPER_PX / this.plot.clientWidth));
      const first = this.drawn === 0;
      Plotly.react(this.plot, traces(made), made.layout, config);
      if (first) {
        this.plot.on("plotly_relayout", (change) => this.moved(change));
        this.plot.on("plotly_doubleclick", () => this.whole());
      }
      this.drawn += 1;
      this.box.dataset.drawn = String(this.drawn);
      this.box.dataset.from = String(made.start);
      this.box.dataset.to = String(made.end);
      const shown = this.box.querySelector(".shown");
      if (this.range || first) {
        shown.textContent = made.shown;
      } else if (shown.textContent !== made.shown) {
        shown.setAttribute("aria-live", "off");
        shown.textContent = made.shown;
        shown.removeAttribute("aria-live");
      }
      this.mark();
    }

    moved(change) {
      const from = change["xaxis.range[0]"];
      const to = change["xaxis.range[1]"];
      if (typeof from === "number" && typeof to === "number") {
        this.show(from, to);
      }
    }

    show(from, to) {
      this.range = [from, to];
      this.load();
    }

    follow(span) {
      this.range = null;
      this.span = span || this.span;
      this.load();
    }

    // Back to what the box opened with: its own period, or the last hours up to now.
    whole() {
      this.range = this.ends();
      this.load();
    }

    mark() {
      this.box.querySelectorAll("[data-range]").forEach((button) => {
        const on = !this.range && Number(button.dataset.range) === this.span;
        button.setAttribute("aria-pressed", String(on));
      });
      const live = this.box.querySelector("[data-move=live]");
      if (live) {
        live.setAttribute("aria-pressed", String(!this.range));
      }
    }

    press(event) {
      const range = event.target.closest("[data-range]");
      const move = event.target.closest("[data-move]");
      const kind = event.target.closest("[data-save]");
      if (kind) {
        this.save(kind.dataset.save);
      } else if (range) {
        this.follow(Number(range.dataset.range));
      } else if (move) {
        this.move(move.dataset.move);
      }
    }

    save(kind) {
      if (!this.made) {
        return;
      }
      const { start, end } = this.made;
      if (kind === "svg" || kind === "png") {
        const width = this.plot.clientWidth;
        const name = this.box.dataset.files.split("/").pop();
        window.Plotly.downloadImage(this.plot, { format: kind, width, height: this.made.height, filename: name });
        return;
      }
      const link = document.createElement("a");
      const query = new URLSearchParams({ from: start, to: end, width: Math.round(this.plot.clientWidth) });
      query.set("units", this.box.dataset.units);
      link.href = this.box.dataset.files + "." + kind + "?" + query + this.options();
      link.download = "";
      link.click();
    }

    move(way) {
      if (!this.made) {
        return;
      }
      if (way === "live") {
        this.follow();
        return;
      }
      if (way === "whole") {
        this.whole();
        return;
      }
      const { start, end } = this.made;
      const wide = end - start;
      const ends = {
        earlier: [start - wide / 2, end - wide / 2],
        later: [start + wide / 2, end + wide / 2],
        closer: [start + wide / 4, end - wide / 4],
        wider: [start - wide / 2, end + wide / 2],
      }[way];
      this.show(...ends);
    }

    key(event) {
      const ways = { "+": "closer", "-": "wider", PageUp: "earlier", PageDown: "later", End: this.box.querySelector("[data-move=live]") ? "live" : "whole" };
      if (event.key === "ArrowLeft" || event.key === "ArrowRight") {
        const step = ((this.made ? this.made.end - this.made.start : 0) / 200) * (event.shiftKey ? 10 : 1);
        const at = this.at || (this.made ? (this.made.start + this.made.end) / 2 : 0);
        this.read(at + (event.key === "ArrowLeft" ? -step : step), true);
      } else if (ways[event.key]) {
        this.move(ways[event.key]);
      } else {
        return;
      }
      event.preventDefault();
    }

    inner() {
      const margin = this.made.layout.margin;
      return [margin.l, this.plot.clientWidth - margin.l - margin.r];
    }

    point(event) {
      if (!this.made) {
        return;
      }
      const [left, wide] = this.inner();
      const x = event.clientX - this.plot.getBoundingClientRect().left - left;
      const { start, end } = this.made;
      this.read(start + (Math.min(Math.max(x, 0), wide) / wide) * (end - start), false);
    }

    hide() {
      this.cursor.hidden = true;
      this.at = null;
      this.readout.textContent = this.box.dataset.hint;
    }

    read(at, aloud) {
      if (!this.made) {
        return;
      }
      const { start, end, timezone, columns } = this.made;
      this.at = Math.min(Math.max(at, start), end);
      const [left, wide] = this.inner();
      this.cursor.style.left = left + ((this.at - start) / (end - start)) * wide + "px";
      this.cursor.hidden = false;
      const clock = new Intl.DateTimeFormat(document.documentElement.lang, {
        timeZone: timezone,
        weekday: "short",
        day: "numeric",
        month: "short",
        hour: "2-digit",
        minute: "2-digit",
        second: "2-digit",
        hourCycle: "h23",
        timeZoneName: "short",
      }).format(new Date(this.at * 1000));
      const values = Object.values(columns).map((column) => this.value(column, this.at));
      this.readout.setAttribute("aria-live", aloud ? "polite" : "off");
      this.readout.textContent = clock + ": " + values.join("; ");
    }

    value(column, at) {
      let low = 0;
      let high = column.x.length - 1;
      while (high - low > 1) {
        const middle = (low + high) >> 1;
        if (column.x[middle] <= at) {
          low = middle;
        } else {
          high = middle;
        }
      }
      const near = Math.abs(column.x[high] - at) < Math.abs(column.x[low] - at) ? high : low;
      const far = column.x.length === 0 || Math.abs(column.x[near] - at) > column.reach;
      const number = far ? this.box.dataset.none : column.mean[near].toFixed(column.decimals) + " " + column.unit;
      return column.title + ", " + column.label + " " + number;
    }

    resized() {
      const wide = this.plot.clientWidth;
      if (this.drawn && wide > 0 && Math.abs(wide - this.made.layout.width) > 2) {
        window.clearTimeout(this.waiting);
        this.waiting = window.setTimeout(() => this.load(), STALE_MS);
      }
    }
  }

  function known(box) {
    const { units, address, options, ends } = box.dataset;
    return [units, address, options, ends].join("|");
  }

  // Charts come and go with the pages; a change of units is a change of the box's own mark.
  function meet() {
    for (const [box, chart] of charts) {
      if (!box.isConnected) {
        chart.end();
        charts.delete(box);
        const { range, span, opened } = chart;
        left.set(chart.subject, { range, span, opened, at: performance.now() });
      } else if (known(box) !== chart.known) {
        const moved = box.dataset.address !== chart.subject;
        const sent = box.dataset.ends !== chart.opened;
        chart.known = known(box);
        chart.subject = box.dataset.address;
        chart.opened = box.dataset.ends;
        if (moved || sent) {
          chart.range = chart.ends();
        }
        if (sent && !moved && chart.range) {
          box.scrollIntoView();
        }
        chart.load();
      }
    }
    document.querySelectorAll(".chart").forEach((box) => {
      if (!charts.has(box)) {
        const was = left.get(box.dataset.address);
        const soon = was && performance.now() - was.at < SOON_MS && was.opened === box.dataset.ends;
        const chart = new Chart(box, soon ? was : null);
        chart.known = known(box);
        chart.subject = box.dataset.address;
        chart.opened = box.dataset.ends;
        charts.set(box, chart);
      }
    });
  }

  new MutationObserver(meet).observe(document.body, {
    childList: true,
    subtree: true,
    attributes: true,
    attributeFilter: ["data-units", "data-address", "data-options", "data-ends"],
  });
  document.addEventListener("tricklebook-look", () => charts.forEach((chart) => chart.load()));
  window.tricklebook.onPulse(() => charts.forEach((chart) => chart.range || chart.load()));
})();
