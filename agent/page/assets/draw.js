// Marks, staffs and courses, drawn as SVG.
import * as words from './words.js';

const ns = 'http://www.w3.org/2000/svg';

// svg makes an element with attributes and children.
export function svg(tag, attributes = {}, ...children) {
  const e = document.createElementNS(ns, tag);
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
  e.append(...children);
  return e;
}

// h does the same for HTML.
export function h(tag, attributes = {}, ...children) {
  const e = document.createElement(tag);
  for (const [k, v] of Object.entries(attributes)) {
    if (k.startsWith('on')) e.addEventListener(k.slice(2), v);
    else if (v !== undefined && v !== null && v !== false) e.setAttribute(k, v === true ? '' : v);
  }
  e.append(...children.filter((c) => c !== null && c !== undefined));
  return e;
}

// Each priority has a shape of its own, so that nobody has to tell colours apart.
const shapes = {
  critical: 'M8 1h8l7 7v8l-7 7H8l-7-7V8z',
  high: 'M12 1 23 22H1z',
  medium: 'M12 1l11 11-11 11L1 12z',
  low: 'M2 4h20v16H2z',
};
const inner = { critical: 'M10.6 5h2.8l-.5 9h-1.8zM10.6 16h2.8v3h-2.8z', high: 'M10.8 9h2.4l-.4 6h-1.6zM10.8 17h2.4v2.5h-2.4z', medium: 'M10.8 6.5h2.4l-.4 7h-1.6zM10.8 15h2.4v2.5h-2.4z', low: 'M6 9h12v2H6zM6 13h8v2H6z' };
const plain = { well: 'M3 13l3-3 4 4 8-9 3 3L10 20z', attention: 'M12 2a10 10 0 1 0 .01 0zm0 2a8 8 0 1 1-.01 0zM11 7h2v7h-2zm0 9h2v2h-2z', unknown: 'M3 11h4v2H3zM10 11h4v2h-4zM17 11h4v2h-4z' };

// mark fills an svg with the shape of a priority or a level.
export function mark(into, level, priority) {
  const key = level + priority;
  if (into.dataset.key === key) return;
  into.dataset.key = key;
  if (priority && shapes[priority]) {
    into.replaceChildren(svg('path', { d: shapes[priority], class: 'shape' }), svg('path', { d: inner[priority], class: 'inner' }));
  } else {
    into.replaceChildren(svg('path', { d: plain[level] || plain.unknown, class: 'shape' }));
  }
}

// staff draws a value on a staff as it stands in a river: blocks left and right of
// a line by tenths, filled up to the value. Limit marks where it must stop; sure is
// what of it can be used.
export function staff(share, { low, high, dead = 0, limit } = {}) {
  const width = 200, height = 18, clamp = (v) => Math.max(0, Math.min(1, v)) * width;
  const out = svg('svg', { viewBox: `-1 -4 ${width + 2} ${height + 8}`, class: 'staff', 'aria-hidden': 'true', preserveAspectRatio: 'none' });
  for (let i = 0; i < 10; i++) {
    out.append(svg('rect', { x: i * width / 10, y: i % 2 ? height / 2 : 0, width: width / 10, height: height / 2, class: 'block' }));
  }
  if (share !== null && share !== undefined) {
    for (let i = 0; i < 10; i++) {
      const from = i * width / 10, w = Math.min(clamp(share) - from, width / 10);
      if (w > 0) out.append(svg('rect', { x: from, y: i % 2 ? height / 2 : 0, width: w, height: height / 2, class: 'filled' }), svg('rect', { x: from, y: i % 2 ? 0 : height / 2, width: w, height: height / 2, class: 'half' }));
    }
    if (dead > 0) out.append(svg('rect', { x: 0, y: 0, width: clamp(dead), height, class: 'dead' }));
    out.append(svg('path', { d: `M${clamp(share)} -3v${height + 6}`, class: 'edge' }));
  }
  if (low !== undefined && low !== null && high !== null) out.append(svg('path', { d: `M${clamp(low)} ${height / 2}H${clamp(high)}M${clamp(low)} 4v${height - 8}M${clamp(high)} 4v${height - 8}`, class: 'range' }));
  if (limit !== undefined) out.append(svg('path', { d: `M${clamp(limit)} -4v${height + 8}`, class: 'limit' }));
  out.append(svg('rect', { x: 0, y: 0, width, height, class: 'frame' }));
  return out;
}

// ticks are round numbers between two values.
function ticks(low, high, most) {
  const raw = (high - low) / most, power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= raw);
  const out = [];
  for (let v = Math.ceil(low / step - 1e-9) * step; v <= high + step * 1e-9; v += step) out.push(Math.abs(v) < step * 1e-9 ? 0 : v);
  return { at: out, decimals: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
}

// course draws a figure's points, each [mean, low, high, doubtful] or null, with
// the limits of its alarms. Where there is no point the line is broken.
export function course(data, limits, now, wide) {
  const width = wide, height = 190, left = 46, right = 8, top = 10, bottom = 24;
  const from = Date.parse(data.from), step = data.step_s * 1000, to = from + step * data.points.length;
  const points = data.points.filter((p) => p);
  const out = svg('svg', { viewBox: `0 0 ${width} ${height}`, class: 'course', 'aria-hidden': 'true' });
  const x = (t) => left + (t - from) / (to - from) * (width - left - right);
  if (!points.length) {
    out.append(svg('text', { x: width / 2, y: height / 2, class: 'none' }, 'no usable value in this time'));
    return { element: out, x, width };
  }
  let low = Math.min(...points.map((p) => p[1])), high = Math.max(...points.map((p) => p[2]));
  const span = high - low || Math.abs(high) || 1;
  for (const l of limits) { // a limit far away would flatten the line
    if (l.value > low - 3 * span && l.value < high + 3 * span) {
      low = Math.min(low, l.value);
      high = Math.max(high, l.value);
    }
  }
  const pad = (high - low || Math.abs(high) || 1) * 0.08;
  if (low !== 0) low = low > 0 ? Math.max(0, low - pad) : low - pad;
  high += pad;
  const y = (v) => top + (high - v) / (high - low) * (height - top - bottom);
  const rows = ticks(low, high, 4);
  for (const v of rows.at) {
    out.append(svg('path', { d: `M${left} ${y(v)}H${width - right}`, class: 'rule' }), svg('text', { x: left - 6, y: y(v) + 4, class: 'row' }, v.toFixed(rows.decimals).replace('-', '−')));
  }
  const hour = 3600e3, hours = (to - from) / hour;
  const every = (hours <= 4 ? 1 : hours <= 30 ? 6 : 48) * hour * (wide < 420 && hours > 30 ? 2 : 1);
  for (let t = Math.ceil(from / hour) * hour; t < to; t += hour) {
    const local = new Date(t), h24 = Number(words.minutes(local).slice(0, 2));
    const wanted = every <= hour ? true : every <= 6 * hour ? h24 % 6 === 0 : h24 === 0 && Math.floor(t / (24 * hour)) % (every / (24 * hour)) === 0;
    if (!wanted) continue;
    const label = h24 === 0 ? words.day(t).split(', ').pop() : words.minutes(t);
    out.append(svg('path', { d: `M${x(t)} ${top}V${height - bottom}`, class: h24 === 0 ? 'rule midnight' : 'rule' }));
    if (x(t) > left + 12 && x(t) < width - 20) out.append(svg('text', { x: x(t), y: height - 7, class: 'column' }, label));
  }
  let band = [], line = '', pen = false;
  const flush = () => {
    if (band.length) out.append(svg('path', { d: 'M' + band.map((b) => `${b[0]} ${b[2]}`).join('L') + 'L' + band.reverse().map((b) => `${b[0]} ${b[1]}`).join('L') + 'z', class: 'band' }));
    band = [];
    pen = false;
  };
  data.points.forEach((p, i) => {
    if (!p) return flush();
    const at = x(from + (i + 0.5) * step).toFixed(1);
    const half = (x(from + step) - x(from)) / 2;
    if (!data.points[i - 1] && !data.points[i + 1]) line += `M${at - half} ${y(p[0]).toFixed(1)}h${2 * half}`;
    else line += (pen ? 'L' : 'M') + at + ' ' + y(p[0]).toFixed(1);
    if (p[3]) out.append(svg('path', { d: `M${at} ${height - bottom}v-5`, class: 'doubt' }));
    band.push([at, y(p[1]).toFixed(1), y(p[2]).toFixed(1)]);
    pen = true;
  });
  flush();
  out.append(svg('path', { d: line, class: 'mean' }));
  const named = []; // where names are, so that they stand beside each other
  for (const l of limits) {
    if (l.value < low || l.value > high) continue;
    const at = y(l.value) + (l.side === 'low' ? 12 : -4), beside = named.filter((n) => Math.abs(n - at) < 13).length;
    named.push(at);
    out.append(svg('path', { d: `M${left} ${y(l.value)}H${width - right}`, class: 'limit' }),
      svg('text', { x: width - right - 110 * beside, y: at, class: 'limit-name' }, (l.side === 'low' ? 'not under ' : 'not over ') + words.number(l.value, l.quantity)));
  }
  return { element: out, x, width };
}
