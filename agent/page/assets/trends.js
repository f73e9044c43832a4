// The courses of figures, as many as the page has frames for.
import { h, course } from './draw.js';
import * as words from './words.js';

const groups = { Supply: ['bank', 'container'], Contact: ['train', 'segment', 'entry', 'distribution'], Air: ['detector', 'room'], Readings: ['point'], Lines: ['line'] };
const name = (f) => (f.kind === 'point' ? f.owner : f.owner + ': ' + words.name(f.quantity));

// first are the figures shown until someone chooses others.
function first(figures, layout) {
  const picks = [
    [...layout.trains.map((t) => `train.${t.train}.inactivation-ratio`), ...layout.segments.map((s) => `segment.${s.segment}.inactivation-ratio`)],
    layout.banks.map((b) => `bank.${b.bank}.net-weight`),
    layout.segments.map((s) => s.residual),
    layout.rooms.flatMap((r) => r.detectors.map((d) => `detector.${d}.concentration`)),
  ].map((names) => names.find((n) => figures.has(n))).filter(Boolean);
  return picks.length ? picks : [...figures.values()].filter(words.coursed).slice(0, 2).map((f) => f.figure);
}

function remembered() {
  try {
    return JSON.parse(localStorage.getItem('trends')) || [];
  } catch {
    return [];
  }
}

export class Trends {
  constructor(into, span) {
    this.into = into;
    this.frames = [];
    this.hours = 24;
    this.span = span;
    span.addEventListener('change', (e) => {
      this.chosen = true;
      this.hours = Number(e.target.value);
      this.refresh();
    });
    addEventListener('resize', () => this.frames.forEach((f) => this.draw(f)));
  }

  // follow fetches anew once the present has left the last point, though not all
  // the time.
  follow() {
    if (document.hidden || performance.now() - this.fetched < 5000) return;
    const now = Date.parse(this.model.time);
    if (this.frames.some((f) => !f.data || now >= this.time(f, f.data.points.length) || now < Date.parse(f.data.from))) this.refresh();
  }

  // build makes the frames anew for the figures there are.
  build(model) {
    this.model = model;
    const kept = remembered().filter((n) => model.figures.has(n));
    const shown = kept.length ? kept : first(model.figures, model.layout);
    this.frames = shown.slice(0, 4).map((figure, i) => this.frame(figure, i));
    this.into.replaceChildren(...this.frames.map((f) => f.element));
    this.refresh();
  }

  frame(figure, i) {
    const select = h('select', { id: 'trend-' + i });
    for (const [title, kinds] of Object.entries(groups)) {
      const group = h('optgroup', { label: title });
      for (const f of this.model.figures.values()) {
        if (kinds.includes(f.kind) && words.coursed(f)) group.append(h('option', { value: f.figure, selected: f.figure === figure }, name(f)));
      }
      if (group.children.length) select.append(group);
    }
    const read = h('input', { type: 'range', min: 0, max: 1, value: 1, step: 1, id: 'read-' + i });
    const out = h('output', { for: 'read-' + i });
    const frame = { select, read, out, canvas: h('div', { class: 'canvas' }), sum: h('p', { class: 'sum' }) };
    frame.element = h('div', { class: 'trend' },
      h('p', {}, h('label', { for: select.id, class: 'unseen' }, `Figure of trend ${i + 1}`), select),
      frame.canvas, h('p', { class: 'read' }, h('label', { for: read.id }, 'Read off '), read, ' ', out), frame.sum);
    select.addEventListener('change', () => {
      try {
        localStorage.setItem('trends', JSON.stringify(this.frames.map((f) => f.select.value)));
      } catch { /* a browser that keeps nothing */ }
      this.load(frame);
    });
    read.addEventListener('input', () => this.readOff(frame));
    return frame;
  }

  refresh() {
    this.fetched = performance.now();
    return Promise.all(this.frames.map((f) => this.load(f)));
  }

  async load(frame) {
    const figure = frame.select.value;
    try {
      const r = await fetch(`/v1/history?figure=${encodeURIComponent(figure)}&hours=${this.hours}`);
      if (!r.ok) throw new Error(await r.text());
      const data = await r.json();
      if (frame.select.value !== figure) return;
      frame.data = data;
      this.shorten(data);
      this.draw(frame);
    } catch {
      frame.data = null;
      frame.canvas.replaceChildren();
      frame.sum.textContent = 'The course of this figure cannot be had now.';
    }
  }

  // shorten shows the last hours alone while there are no more, until someone
  // chooses.
  shorten(data) {
    if (this.chosen || this.hours !== 24 || data.points.findIndex((p) => p) < data.points.length * 7 / 8) return;
    this.hours = 3;
    this.span.querySelector('input[value="3"]').checked = true;
    this.refresh();
  }

  draw(frame) {
    if (!frame.data) return;
    const f = this.model.figures.get(frame.data.figure);
    if (!f) return;
    const limits = this.model.layout.limits.filter((l) => l.figure === f.figure && l.value !== null).map((l) => ({ ...l, quantity: f.quantity }));
    const wide = Math.max(280, Math.min(720, frame.canvas.clientWidth || 560));
    frame.drawn = course(frame.data, limits, Date.parse(this.model.time), wide);
    frame.canvas.replaceChildren(frame.drawn.element);
    frame.read.max = frame.data.points.length - 1;
    if (!frame.read.dataset.used) frame.read.value = frame.read.max;
    this.readOff(frame, true);
    const known = frame.data.points.map((p, i) => [p, i]).filter(([p]) => p);
    const u = words.unit(f.unit);
    if (!known.length) {
      frame.sum.textContent = 'No usable value in this time.';
      return;
    }
    const at = ([, i]) => words.clock(this.time(frame, i), Date.parse(this.model.time));
    const least = known.reduce((a, b) => (b[0][1] < a[0][1] ? b : a)), most = known.reduce((a, b) => (b[0][2] > a[0][2] ? b : a));
    const missing = frame.data.points.length - known.length;
    frame.sum.textContent = `Lowest ${words.number(least[0][1], f.quantity)} ${u} at ${at(least)}, highest ${words.number(most[0][2], f.quantity)} ${u} at ${at(most)}.` +
      (missing ? ` No usable value for ${words.span(missing * frame.data.step_s)} of this time: those stay empty.` : '');
  }

  time(frame, i) {
    return Date.parse(frame.data.from) + i * frame.data.step_s * 1000;
  }

  readOff(frame, redrawn) {
    if (!frame.data || !frame.drawn) return;
    if (!redrawn) frame.read.dataset.used = 'yes';
    const i = Number(frame.read.value), p = frame.data.points[i];
    const f = this.model.figures.get(frame.data.figure);
    const when = words.clock(this.time(frame, i), Date.parse(this.model.time));
    const text = when + ' ' + (p ? `${words.number(p[0], f.quantity)} ${words.unit(f.unit)}` : 'no usable value');
    frame.out.textContent = text;
    frame.read.setAttribute('aria-valuetext', text);
    frame.drawn.element.querySelector('.cursor')?.remove();
    const line = document.createElementNS('http://www.w3.org/2000/svg', 'path');
    line.setAttribute('class', 'cursor');
    line.setAttribute('d', `M${frame.drawn.x(this.time(frame, i + 0.5))} 10V166`);
    if (frame.read.dataset.used) frame.drawn.element.append(line);
  }
}
