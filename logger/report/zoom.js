// Looking closer: drag over a curve to enlarge that part, double-click or press 0 to see all again;
// + − and the arrow keys do the same from the keyboard. Drawings of one group keep the same x.
(() => {
  "use strict";
  const NS = "http://www.w3.org/2000/svg", FINE = 10, ALL = { a: 0, b: 1, c: 0, d: 1 };
  const niceStep = rough => {
    const power = 10 ** Math.floor(Math.log10(rough));
    return [1, 2, 5, 10].find(m => rough <= m * power * (1 + 1e-9)) * power;
  };
  const linear = (low, high, about) => {
    const step = niceStep((high - low) / Math.max(about, 1)), out = [];
    const places = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
    for (let k = Math.ceil(low / step - 1e-9); k * step <= high + step * 1e-9; k++)
      out.push([k * step, (k * step).toFixed(places).replace("-", "−")]);
    return out;
  };
  const logarithmic = (low, high) => {
    const out = [];
    for (let k = Math.floor(Math.log10(low)); k <= Math.ceil(Math.log10(high)); k++)
      for (const m of [1, 2, 5])
        if (m * 10 ** k >= low * 0.999 && m * 10 ** k <= high * 1.001) out.push([m * 10 ** k, String(+(m * 10 ** k).toPrecision(3))]);
    return out.length > 1 ? out : linear(low, high, 3);
  };
  const part = (name, attributes, text) => {
    const node = document.createElementNS(NS, name);
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
    if (text !== undefined) node.textContent = text;
    return node;
  };

  class Chart {
    constructor(svg) {
      [this.left, this.top, this.w, this.h, this.x0, this.x1, this.y0, this.y1] = svg.dataset.frame.split(" ").map(Number);
      this.logX = svg.dataset.log[0] === "1";
      this.logY = svg.dataset.log[1] === "1";
      Object.assign(this, { svg, pane: svg.querySelector(".pane"), tx: svg.querySelector(".tx"), ty: svg.querySelector(".ty") });
      this.hadX = this.tx.querySelector("text") !== null;
      this.view = { ...ALL };
    }
    value(share, low, high, log) {
      return log ? 10 ** (Math.log10(low) + share * Math.log10(high / low)) : low + share * (high - low);
    }
    place(value, low, high, log) {
      return log ? Math.log10(value / low) / Math.log10(high / low) : (value - low) / (high - low);
    }
    show(view) {
      this.view = view;
      const { a, b, c, d } = view, W = this.w * FINE, H = this.h * FINE;
      this.pane.setAttribute("viewBox", `${a * W} ${c * H} ${(b - a) * W} ${(d - c) * H}`);
      this.drawTicks();
    }
    drawTicks() {
      const { a, b, c, d } = this.view, foot = this.top + this.h;
      const xs = [this.value(a, this.x0, this.x1, this.logX), this.value(b, this.x0, this.x1, this.logX)];
      const ys = [this.value(1 - d, this.y0, this.y1, this.logY), this.value(1 - c, this.y0, this.y1, this.logY)];
      this.tx.replaceChildren(...(this.logX ? logarithmic(...xs) : linear(...xs, Math.max(3, Math.floor(this.w / 80)))).flatMap(([v, text]) => {
        const at = this.left + (this.place(v, this.x0, this.x1, this.logX) - a) / (b - a) * this.w;
        const mark = part("path", { d: `M${at} ${foot}v4` });
        return this.hadX ? [mark, part("text", { x: at, y: foot + 15 }, text)] : [mark];
      }));
      this.ty.replaceChildren(...(this.logY ? logarithmic(...ys) : linear(...ys, Math.max(3, Math.floor(this.h / 34)))).flatMap(([v, text]) => {
        const at = this.top + (1 - this.place(v, this.y0, this.y1, this.logY) - c) / (d - c) * this.h;
        return [part("path", { d: `M${this.left} ${at}h${this.w}` }), part("text", { x: this.left - 6, y: at + 3.5 }, text)];
      }));
    }
    shareAt(event) {
      const svg = this.svg.getBoundingClientRect();
      const scale = svg.width / this.svg.viewBox.baseVal.width;
      const x = (event.clientX - svg.left) / scale - this.left, y = (event.clientY - svg.top) / scale - this.top;
      return [Math.min(Math.max(x / this.w, 0), 1), Math.min(Math.max(y / this.h, 0), 1)];
    }
  }

  const charts = [...document.querySelectorAll("svg.chart")].map(svg => new Chart(svg));
  const together = chart => charts.filter(o => o === chart || (o.svg.dataset.group !== "" && o.svg.dataset.group === chart.svg.dataset.group));
  const showTogether = (chart, view) => {
    for (const other of together(chart))
      other.show(other === chart ? view : { ...(view.b - view.a < 1 ? other.view : ALL), a: view.a, b: view.b });
  };
  const within = (a, b) => {
    const width = Math.min(Math.max(b - a, 1e-4), 1), start = Math.min(Math.max(a, 0), 1 - width);
    return [start, start + width];
  };
  const listen = chart => {
    let from = null, lasso = null;
    chart.pane.addEventListener("pointerdown", event => {
      from = chart.shareAt(event);
      chart.pane.setPointerCapture(event.pointerId);
      lasso = part("rect", { class: "lasso", x: 0, y: 0, width: 0, height: 0 });
      chart.svg.append(lasso);
      event.preventDefault();
      chart.svg.focus({ preventScroll: true });
    });
    const box = event => {
      const to = chart.shareAt(event), flat = Math.abs(to[1] - from[1]) * chart.h < 14;
      const [l, r] = [Math.min(from[0], to[0]), Math.max(from[0], to[0])];
      const [t, b] = flat ? [0, 1] : [Math.min(from[1], to[1]), Math.max(from[1], to[1])];
      return [l, r, t, b];
    };
    chart.pane.addEventListener("pointermove", event => {
      if (!from) return;
      const [l, r, t, b] = box(event);
      for (const [key, value] of Object.entries({ x: chart.left + l * chart.w, y: chart.top + t * chart.h, width: (r - l) * chart.w, height: (b - t) * chart.h }))
        lasso.setAttribute(key, value);
    });
    const stop = event => {
      if (!from) return;
      const [l, r, t, b] = box(event), { a, c } = chart.view, w = chart.view.b - a, h = chart.view.d - c;
      from = null;
      lasso.remove();
      if (event.type === "pointerup" && (r - l) * chart.w > 5)
        showTogether(chart, { a: a + l * w, b: a + r * w, c: c + t * h, d: c + b * h });
    };
    chart.pane.addEventListener("pointerup", stop);
    chart.pane.addEventListener("pointercancel", stop);
    chart.svg.addEventListener("dblclick", () => showTogether(chart, { ...ALL }));
    chart.svg.addEventListener("keydown", event => {
      const { a, b } = chart.view, w = b - a, middle = (a + b) / 2;
      const moves = { "+": [middle - w / 4, middle + w / 4], "-": [middle - w, middle + w], ArrowLeft: [a - w / 4, b - w / 4], ArrowRight: [a + w / 4, b + w / 4] };
      if (event.key === "0" || event.key === "Escape") showTogether(chart, { ...ALL });
      else if (moves[event.key]) {
        const [low, high] = within(...moves[event.key]);
        showTogether(chart, { ...chart.view, a: low, b: high });
      } else return;
      event.preventDefault();
    });
  };
  charts.forEach(listen);
  document.documentElement.classList.add("zoomable");
})();
