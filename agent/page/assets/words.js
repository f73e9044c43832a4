// Numbers, times and states in words.

export function quality(q) {
  const [level, reason] = q.split(':');
  return { level, reason: (reason || '').replaceAll('-', ' ') };
}

const signs = { degC: '°C', degF: '°F', 'mg.min/L': 'mg·min/L', '1': '', pH: '' };

export function unit(u) {
  return u in signs ? signs[u] : u;
}

// digits are the decimals that a person needs of each quantity.
const decimals = {
  'net-weight': 0, 'withdrawal-rate': 0, 'withdrawal-limit': 0, 'withdrawal-ratio': 2, concentration: 2,
  'inactivation-ratio': 2, 'giardia-log': 2, 'virus-log': 1, t10: 0, ct: 1, 'ct-required-giardia': 1, 'ct-required-virus': 1,
  'withdrawal-rate-quarter': 0, 'withdrawal-rate-day': 0, 'withdrawal-headroom': 0, 'peak-demand': 0, 'containers-needed': 0, 'containers-needed-peak': 0,
  'lowest-room-temperature': 0, 'frost-from': 0, stock: 0, 'expected-rate': 0, 'unaccounted-hour': 1, 'unaccounted-day': 1, 'smallest-loss': 1,
  'time-to-empty': 1, pace: 2, 'ratio-ahead': 2, 'ratio-ahead-in': 0, 'day-ratio': 2, 'day-lowest-ratio': 2, 't10-static': 0, 't10-entry': 0, 't10-inflow': 0,
};

export function number(v, quantity) {
  let d = decimals[quantity];
  if (d === undefined) d = Math.abs(v) >= 100 ? 0 : Math.abs(v) >= 20 ? 1 : 2;
  const text = v.toFixed(d);
  return (Number(text) === 0 ? (0).toFixed(d) : text).replace('-', '−');
}

// Figures that are yes or no, and others whose course tells nothing; the server
// keeps no course of either.
const flags = ['unavailable', 'lost', 'doubtful', 'service-overdue', 'vote', 'blind', 'ventilation', 'unaccounted', 'loss-reportable', 'feed-lost', 'overdrawn', 'scale-stuck', 'weight-moved', 'container-off', 'tare-doubtful', 'changeover-unstaffed', 'header-low'];
const apart = ['level', 'calling', 'giardia-log-owed', 'virus-log-owed', 'bump-test-due', 'calibration-due', 'containers-needed', 'containers-needed-peak', 'frost-from'];
export const coursed = (f) => !flags.includes(f.quantity) && !apart.includes(f.quantity);

// value is a figure in words; one that is not known says why.
export function value(f) {
  if (!f) return { text: 'not known', bad: true };
  const q = quality(f.quality);
  // What comes by itself does not call for a person.
  if (f.value === null && ['learning', 'not yet read'].includes(q.reason)) return { text: 'not known yet', why: q.reason === 'learning' ? 'needs more time' : '' };
  if (f.value === null) return { text: 'not known', why: f.detail || q.reason, bad: true };
  if (flags.includes(f.quantity)) return { text: f.value ? 'YES' : 'no', why: f.value ? f.detail : '', bad: Boolean(f.value) };
  return {
    text: (number(f.value, f.quantity) + ' ' + unit(f.unit)).trim(),
    why: q.level === 'good' ? '' : 'uncertain: ' + (f.detail || q.reason),
  };
}

// name is a quantity in words.
export const name = (quantity) => quantity.replaceAll('-', ' ').replace(/\bct\b/, 'CT').replace(/\bt10\b/, 'T10');

export const inSeconds = { s: 1, min: 60, h: 3600, d: 86400 };

let zone = 'UTC';
const made = new Map();

export function setZone(z) {
  try {
    new Intl.DateTimeFormat('en', { timeZone: z });
    zone = z;
  } catch {
    zone = 'UTC';
  }
  made.clear();
}

export function zoneName() {
  return zone;
}

function format(options, ms) {
  const key = JSON.stringify(options);
  if (!made.has(key)) made.set(key, new Intl.DateTimeFormat('en-GB', { timeZone: zone, hourCycle: 'h23', ...options }));
  return made.get(key).format(ms);
}

export const seconds = (ms) => format({ hour: '2-digit', minute: '2-digit', second: '2-digit' }, ms);
export const minutes = (ms) => format({ hour: '2-digit', minute: '2-digit' }, ms);
export const day = (ms) => format({ weekday: 'short', day: 'numeric', month: 'short' }, ms);

// clock is a time near now: without the day when it is today, without the hour
// when it is weeks away.
export function clock(ms, now) {
  if (ms - now > 10 * 86400e3) return day(ms);
  return day(ms) === day(now) ? minutes(ms) : day(ms) + ' ' + minutes(ms);
}

// span is a length of time, as roughly as a person would say it.
export function span(s) {
  if (s < 100) return Math.round(s) + ' s';
  if (s < 100 * 60) return Math.round(s / 60) + ' min';
  if (s < 72 * 3600) return Math.round(s / 3600) + ' h';
  return Math.round(s / 86400) + ' days';
}

// goSpan reads a duration such as 1h30m0s into seconds.
export function goSpan(text) {
  let sum = 0;
  for (const [, n, u] of text.matchAll(/([\d.]+)([hms])/g)) sum += n * { h: 3600, m: 60, s: 1 }[u];
  return sum;
}

const states = {
  normal: 'normal',
  unacknowledged: 'standing, not acknowledged',
  acknowledged: 'standing, acknowledged',
  'returned-to-normal-unacknowledged': 'gone, not acknowledged',
  'latched-unacknowledged': 'gone, latched, not acknowledged',
  'latched-acknowledged': 'gone, latched, acknowledged',
};

export function state(s) {
  return states[s] || s.replaceAll('-', ' ');
}

const own = Object.keys(states);

// withheld tells whether an alarm is kept from people, by a state that is none of
// its own: shelved, suppressed by design, out of service.
export const withheld = (a) => !own.includes(a.state);
export const active = (a) => a.state === 'unacknowledged' || a.state === 'acknowledged';
export const unanswered = (a) => a.state.endsWith('unacknowledged');
export const latched = (a) => a.state.startsWith('latched');

const ranks = ['critical', 'high', 'medium', 'low'];
export const rank = (p) => ranks.indexOf(p);
