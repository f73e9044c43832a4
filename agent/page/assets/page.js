// The page: one stream in, one sheet out. It never shows figures as present that
// it has not been told are so.
import { h, mark, staff, svg } from './draw.js';
import { Trends } from './trends.js';
import * as words from './words.js';

const $ = (id) => document.getElementById(id);
const root = document.documentElement;

// oldAfter is the age at which figures are called old, lostAfter how long the
// connection may be gone before that is said, silentAfter when it is made anew.
const oldAfter = 10, lostAfter = 3, silentAfter = 20, again = 3;
const form = 1; // of the snapshot

const model = { figures: new Map(), alarms: new Map(), layout: null, time: null, steps: -1 };
const trends = new Trends($('charts'), $('span'));

// set writes only what differs, so that a screen reader is told only of changes.
function set(e, text) {
  if (e.textContent !== text) e.textContent = text;
}

function show(e, so) {
  if (e.hidden === so) e.hidden = !so;
}

// --- what arrives

const fresh = { date: 0, perf: 0 };
let lostSince = null;

function take(doc, whole) {
  if (doc.version !== undefined && doc.version !== form) {
    model.foreign = true;
    return;
  }
  if (whole) {
    model.figures.clear();
    model.alarms.clear();
    Object.assign(model, { title: doc.title, site: doc.site, foreign: false });
  }
  // An entry with a quality or a state is whole; any other has what changed.
  for (const f of doc.figures) model.figures.set(f.figure, f.quality ? f : { ...model.figures.get(f.figure), ...f });
  for (const a of doc.alarms) model.alarms.set(a.alarm, a.state ? a : { ...model.alarms.get(a.alarm), ...a });
  if (whole || doc.steps !== model.steps) {
    fresh.date = Date.now() - doc.age_s * 1000;
    fresh.perf = performance.now() - doc.age_s * 1000;
  }
  model.performance = doc.performance ?? model.performance;
  Object.assign(model, { time: doc.time, steps: doc.steps, remembers: doc.remembers, verdict: doc.verdict });
  if (whole) {
    const key = JSON.stringify(doc.layout) + [...model.figures.keys()].join();
    if (key !== model.key) {
      model.key = key;
      model.layout = doc.layout;
      words.setZone(doc.layout.time_zone);
      build();
    }
  }
  render();
}

let source, reopening;

function open() {
  clearTimeout(reopening);
  source?.close();
  source = new EventSource('/v1/stream');
  const heard = () => {
    lostSince = null;
    model.polled = false;
  };
  source.addEventListener('snapshot', (e) => {
    heard();
    take(JSON.parse(e.data), true);
  });
  source.addEventListener('change', (e) => {
    heard();
    const doc = JSON.parse(e.data);
    if (doc.figures.some((f) => !model.figures.has(f.figure)) || doc.alarms.some((a) => !model.alarms.has(a.alarm))) open();
    else take(doc, false);
  });
  source.onerror = lose;
}

// lose says so, asks for a whole snapshot in case that only streams are short, and
// tries again.
function lose() {
  source.close();
  lostSince ??= performance.now();
  clearTimeout(reopening);
  reopening = setTimeout(open, again * 1000);
  fetch('/v1/snapshot').then((r) => (r.ok ? r.json() : Promise.reject(r.status))).then((doc) => {
    lostSince = null;
    model.polled = true;
    take(doc, true);
  }).catch(() => tick());
  tick();
}

function age() {
  if (!fresh.date) return Infinity;
  return Math.max(Date.now() - fresh.date, performance.now() - fresh.perf) / 1000;
}

// --- is it still so

function tick() {
  const a = age(), lost = lostSince === null ? 0 : (performance.now() - lostSince) / 1000;
  if (model.time && lostSince === null && a > silentAfter && performance.now() - (tick.tried || 0) > silentAfter * 1000) {
    tick.tried = performance.now();
    open();
  }
  let why = '';
  if (model.foreign) why = 'This page is older than the program that feeds it. Reload it.';
  else if (!model.time) why = lost > lostAfter ? 'Ebbwatch cannot be reached. Nothing is known.' : '';
  else if (lost > lostAfter) why = `The connection to ebbwatch is lost. What is below is ${words.span(a)} old and may be wrong now.`;
  else if (a > oldAfter) why = `Ebbwatch has evaluated nothing for ${words.span(a)}. What is below is old and may be wrong now.`;
  const old = why !== '';
  if (old !== (root.dataset.old === 'yes')) {
    root.dataset.old = old ? 'yes' : 'no';
    $('old').textContent = old ? 'OLD DATA. Do not rely on this page now: watch by hand, and see that ebbwatch runs and can be reached.' : '';
    show($('old'), old);
    for (const b of document.querySelectorAll('button.order')) b.disabled = old;
  }
  set($('link'), old ? 'NOT LIVE' + (model.time ? `, last news ${words.span(a)} ago` : '') : model.time ? (model.polled ? 'live, every 3 s' : 'live') : 'connecting');
  verdict(old, why);
}

function verdict(old, why) {
  const v = model.verdict;
  const level = old ? 'old' : v ? v.level : 'unknown';
  root.dataset.level = level;
  root.dataset.priority = old || !v ? '' : v.priority || '';
  mark($('mark'), old ? 'attention' : level, root.dataset.priority);
  const titles = { well: 'Normal', attention: 'Attention', unknown: 'Not known', old: 'Old data' };
  const about = level === 'alarm' ? model.alarms.get(v.alarm) : null;
  // What nobody has answered calls out: it fills the frame.
  root.dataset.call = about && words.unanswered(about) && words.rank(v.priority) < 2 ? 'yes' : 'no';
  set($('level'), about ? `${v.priority} alarm, ${words.state(about.state)}` : titles[level]);
  if (old) {
    set($('sentence'), why);
    // That all was well is no news any more; that an alarm stood is.
    set($('first'), v && v.level === 'alarm' ? `An alarm stood at ${words.minutes(Date.parse(model.time))}, when this was last heard of: ${v.sentence}` : '');
    set($('more'), '');
  } else if (v) {
    set($('sentence'), v.sentence);
    set($('first'), v.first ? 'Do first: ' + v.first : '');
    set($('more'), v.more ? (v.more === 1 ? 'One more alarm stands' : `${v.more} more alarms stand`) + ', below.' : '');
  }
  for (const id of ['first', 'more']) show($(id), $(id).textContent !== '');
  const name = model.title || 'Ebbwatch';
  const brief = { well: 'Well', attention: 'Attention', unknown: 'Not known', old: 'OLD DATA', alarm: `ALARM (${v ? v.more + 1 : 1})` };
  document.title = `${brief[level]} – ${name}`;
}

// --- the sheet

const rows = []; // functions that bring a part of the sheet up to date

function build() {
  rows.length = 0;
  $('banks').tBodies[0].replaceChildren(...model.layout.banks.map(bank));
  $('segments').tBodies[0].replaceChildren(...model.layout.trains.map(train), ...model.layout.segments.map(segment), ...owners('entry').map(entry), ...owners('distribution').map(distribution));
  glance();
  for (const b of [...$('detectors').tBodies, ...$('instruments').tBodies]) b.remove();
  $('detectors').append(...model.layout.rooms.map(room));
  $('instruments').append(...model.layout.lines.map(line));
  show($('supply'), model.layout.banks.length > 0);
  show($('contact'), $('segments').tBodies[0].children.length > 0);
  rows.push(() => {
    const all = model.layout.lines.flatMap((l) => l.instruments.map((i) => i.instrument));
    const wrong = all.filter((i) => figure('instrument', i, 'lost')?.value !== 0 || figure('instrument', i, 'doubtful')?.value !== 0);
    set($('lines-sum'), `${all.length} instruments on ${model.layout.lines.length} ${model.layout.lines.length === 1 ? 'line' : 'lines'}: ` + (wrong.length ? `NOT IN ORDER: ${wrong.join(', ')}` : 'all in order'));
  });
  show($('air'), model.layout.rooms.length > 0);
  show($('lines'), model.layout.lines.length > 0);
  $('role').replaceChildren(...model.layout.roles.map((r) => h('option', {}, r)));
  show($('enter'), model.layout.roles.length > 0);
  $('standing').replaceChildren();
  set($('plant'), model.title || model.site);
  trends.build(model);
  $('sheet').hidden = false;
}

const figure = (kind, owner, quantity) => model.figures.get(`${kind}.${owner}.${quantity}`);

// field is a value that keeps itself up to date: the number large, why it cannot
// be trusted beside it.
function field(get, label) {
  const v = h('span', { class: 'value' }), why = h('span', { class: 'why' });
  const e = h('span', { class: 'field' }, label ? h('span', { class: 'label' }, label + ' ') : null, v, why);
  rows.push(() => {
    const f = get(), w = words.value(f);
    set(v, w.text);
    set(why, w.why ? ` (${w.why})` : '');
    e.classList.toggle('bad', Boolean(w.bad));
    show(e, f !== undefined || !label);
  });
  return e;
}

// drawn keeps a drawing up to date.
function drawn(make) {
  const e = h('span', { class: 'drawing' });
  let last;
  rows.push(() => {
    const args = make(), key = JSON.stringify(args);
    if (key !== last) e.replaceChildren(staff(...args));
    last = key;
  });
  return e;
}

// flag marks a row on which an alarm stands, by shape and word.
function flag(row, into, find) {
  const sign = svg('svg', { viewBox: '0 0 24 24', 'aria-hidden': 'true' }), word = h('span');
  const e = h('span', { class: 'flag', hidden: true }, sign, word);
  into.append(e);
  rows.push(() => {
    const worst = find().filter((a) => a && a.state !== 'normal' && !words.withheld(a)).sort(urgency)[0];
    show(e, Boolean(worst));
    row.dataset.priority = worst ? worst.priority : '';
    if (worst) {
      mark(sign, 'alarm', worst.priority);
      set(word, worst.priority + (words.active(worst) ? ' alarm' : ', gone'));
    }
  });
}

const limitsOf = (names) => model.layout.limits.filter((l) => names.includes(l.figure)).map((l) => model.alarms.get(l.alarm));
// alarmsOf are those that an owner gives its name.
const alarmsOf = (owner) => [...model.alarms.values()].filter((a) => a.alarm.startsWith(owner + '-'));
const share = (f, of) => (f && f.value !== null ? f.value / of : null);

// owners are those that have figures of a kind.
const owners = (kind) => [...new Set([...model.figures.values()].filter((f) => f.kind === kind).map((f) => f.owner))];

// more keeps the figures of an owner that the sheet has no place of its own for
// out of the way until somebody wants them.
function more(kind, owner, placed) {
  const rest = [...model.figures.values()].filter((f) => f.kind === kind && f.owner === owner && !placed.includes(f.quantity));
  if (!rest.length) return null;
  return h('details', {}, h('summary', {}, 'more figures', h('span', { class: 'unseen' }, ' of ' + owner)), ...rest.map((f) => field(() => model.figures.get(f.figure), words.name(f.quantity))));
}

// period is a figure that is a length of time, in words.
function period(get, label, late) {
  const e = h('span', { class: 'field' }, h('span', { class: 'label' }, label + ' ')), v = h('span', { class: 'value' });
  e.append(v);
  rows.push(() => {
    const f = get();
    show(e, f !== undefined);
    if (!f) return;
    const s = f.value === null ? null : f.value * words.inSeconds[f.unit];
    set(v, s === null ? 'not known' : s < 0 ? `${late} by ${words.span(-s)}` : words.span(s));
    e.classList.toggle('bad', s === null || s < 0);
  });
  return e;
}

// glance is what a person who has just woken up asks first.
function glance() {
  const put = (id, make) => {
    const tile = $(id), v = tile.querySelector('.value'), note = tile.querySelector('.note');
    rows.push(() => {
      const [text, lines, bad] = make();
      set(v, text);
      set(note, lines.filter(Boolean).join(' · '));
      tile.dataset.bad = bad ? 'yes' : 'no';
    });
  };
  const { banks, rooms, segments, trains } = model.layout;
  show($('lasts'), banks.length > 0);
  show($('disinfects'), segments.length > 0);
  show($('gas'), rooms.length > 0);
  put('lasts', () => {
    const now = Date.parse(model.time), empty = (b) => figure('bank', b.bank, 'time-to-empty');
    const still = (b) => empty(b)?.quality === 'uncertain:not-drawn', known = (b) => empty(b) && empty(b).value !== null && !still(b);
    // Banks in one place stand in for each other: the place has chlorine while one
    // that is drawn has.
    const places = [...new Set(banks.map((b) => b.place || b.bank))].map((place) => {
      const all = banks.filter((b) => (b.place || b.bank) === place), drawn = all.filter((b) => known(b) && empty(b).value > 0);
      drawn.sort((a, b) => empty(a).value - empty(b).value);
      return { bank: drawn[0], empty: !drawn.length && all.some(known), unknown: !drawn.length && all.find((b) => !still(b)) };
    });
    const out = places.some((p) => p.empty), first = places.map((p) => p.bank).filter(Boolean).sort((a, b) => empty(a).value - empty(b).value)[0];
    const unknown = places.find((p) => p.unknown)?.unknown;
    const others = banks.filter((b) => out || b !== first).map((b) => `${b.bank}: ${words.value(figure('bank', b.bank, 'net-weight')).text}, ` +
      (still(b) ? 'not drawn' : !known(b) ? 'how long is not known' : empty(b).value <= 0 ? 'EMPTY' : `lasts ${words.span(empty(b).value * 3600)}`));
    if (out) return ['EMPTY', others, true];
    if (!first) return [unknown ? words.value(empty(unknown)).text : 'nothing is drawn', others, Boolean(unknown)];
    const f = empty(first);
    return [words.clock(now + f.value * 3600e3, now), [`bank ${first.bank}, in ${words.span(f.value * 3600)}`,
      f.low === null ? '' : `perhaps already ${words.clock(now + f.low * 3600e3, now)}`, ...others]];
  });
  put('disinfects', () => {
    const inTrain = trains.flatMap((t) => t.segments);
    const owed = [...trains.map((t) => ['train', t.train]), ...segments.filter((s) => !inTrain.includes(s.segment)).map((s) => ['segment', s.segment])];
    const of = owed.map(([kind, name]) => [name, figure(kind, name, 'inactivation-ratio'), figure(kind, name, 'ratio-ahead')]);
    const dark = of.filter(([, f]) => !f || f.value === null);
    if (dark.length) return ['not known', dark.map(([name, f]) => `${name}: ${words.value(f).why || 'no figure'}`), true];
    const [name, f, ahead] = of.sort((a, b) => a[1].value - b[1].value)[0];
    return [f.value < 1 ? `NOT ENOUGH: ${words.number(f.value, f.quantity)} of 1` : `${words.number(f.value, f.quantity)} times the required`,
      [name, ahead && ahead.value !== null ? `lowest of the coming hour ${words.number(ahead.value, ahead.quantity)}` : 'the coming hour is not known', words.value(f).why], f.value < 1];
  });
  put('gas', () => {
    const all = rooms.flatMap((r) => r.detectors).map((d) => ({ d, f: figure('detector', d, 'concentration'), level: figure('detector', d, 'level'), out: figure('detector', d, 'unavailable') }));
    const blind = all.filter((a) => !a.out || a.out.value !== 0 || !a.level || a.level.value === null), seen = all.filter((a) => a.level && a.level.value >= 1);
    const state = blind.length ? `${blind.length} of ${all.length} detectors NOT TO BE TRUSTED: ${blind.map((a) => a.d).join(', ')}` : all.length === 1 ? 'its one detector in order' : `all ${all.length} detectors in order`;
    if (seen.length) return [`GAS at ${seen.map((a) => `${a.d}: ${words.value(a.f).text}`).join(', ')}`, [state], true];
    if (blind.length === all.length) return ['not known', [state], true];
    const most = all.filter((a) => a.f && a.f.value !== null).sort((a, b) => b.f.value - a.f.value)[0];
    return [blind.length ? 'not all is seen' : 'under every limit', [most ? `highest ${words.value(most.f).text} at ${most.d}` : '', state], blind.length > 0];
  });
}

function bank(b) {
  const of = (q) => figure('bank', b.bank, q);
  const empty = h('span', { class: 'value' }), when = h('span', { class: 'note' });
  rows.push(() => {
    const f = of('time-to-empty'), now = Date.parse(model.time);
    const hours = (v) => now + v * 3600e3;
    if (!f || f.value === null) {
      set(empty, words.value(f).text);
      set(when, f ? f.detail || words.quality(f.quality).reason : '');
    } else if (words.quality(f.quality).reason === 'not drawn') {
      set(empty, 'not drawn');
      set(when, `if it were: not before ${words.span(f.value * 3600)}`);
    } else if (f.value <= 0) {
      set(empty, 'EMPTY');
      set(when, 'but for what cannot be drawn');
    } else {
      set(empty, words.clock(hours(f.value), now));
      const q = words.quality(f.quality);
      const range = f.low === null ? '' : `; likely between ${words.clock(hours(f.low), now)} and ${f.high >= 8760 ? 'much later' : words.clock(hours(f.high), now)}`;
      set(when, `in ${words.span(f.value * 3600)}${range}` + (q.level === 'good' ? '' : ` (uncertain: ${q.reason})`));
    }
  });
  const containers = b.containers.map((c) => {
    const net = () => {
      // The container's own figure knows the tare that a person has given.
      const own = figure('container', c.container, 'net-weight'), f = model.figures.get(c.weight);
      if (own) return own;
      return f && f.value !== null && c.tare !== null ? { ...f, value: f.value - c.tare, quantity: 'net-weight' } : f;
    };
    return h('span', { class: 'container' }, field(net, c.container),
      more('container', c.container, ['net-weight']) || '',
      drawn(() => [share(net(), c.full), { dead: c.full ? c.heel / c.full : 0 }]));
  });
  const row = h('tr');
  const name = h('th', { scope: 'row' }, h('span', { class: 'name' }, b.bank), h('span', { class: 'note' }, b.place));
  flag(row, name, () => alarmsOf(b.bank));
  const rate = h('span', { class: 'value' }), range = h('span', { class: 'note' });
  rows.push(() => {
    const r = of('withdrawal-rate'), l = of('withdrawal-limit');
    const given = words.value(r), limit = words.value(l);
    const still = of('time-to-empty')?.quality === 'uncertain:not-drawn' || r?.value <= 0;
    set(rate, r && r.value !== null && l && l.value !== null ? `${still ? 'none' : words.number(r.value, r.quantity)} of ${limit.text}` : `${given.text} of ${limit.text}`);
    set(range, given.why || limit.why || (r && r.low !== null && !still ? `likely between ${words.number(Math.max(0, r.low), r.quantity)} and ${words.number(r.high, r.quantity)}` : ''));
  });
  // What a balance can see, and what not.
  const lost = h('span', { class: 'note' });
  rows.push(() => {
    const hour = of('unaccounted-hour'), day = of('unaccounted-day'), least = of('smallest-loss'), low = of('loss-reportable');
    show(lost, Boolean(hour));
    if (!hour) return;
    const within = (f) => (f && f.value !== null ? `${words.value(f).text} (${words.number(f.low ?? f.value, f.quantity)} to ${words.number(f.high ?? f.value, f.quantity)})` : 'not known');
    set(lost, `Lost beyond the feed: ${within(hour)} in the last hour, ${within(day)} in 24 h` +
      `${low && low.value ? ', MORE THAN THE LAW ASKS TO REPORT' : ''}.` +
      (least && least.value > 0 ? ` A leak under ${words.value(least).text} cannot be told from an error of the feed.` : ''));
  });
  const staffed = h('span', { class: 'note' });
  rows.push(() => {
    const f = of('changeover-unstaffed');
    set(staffed, f && f.value ? 'nobody is on the site then' : '');
    show(staffed, Boolean(f && f.value));
  });
  const known = (q) => () => {
    const f = of(q);
    return f && words.quality(f.quality).reason === 'not drawn' ? undefined : f;
  };
  const tell = h('button', { type: 'button', class: 'order', onclick: () => askBox(b, told) }, 'Tell of containers'), told = h('p', { class: 'answer', role: 'status' });
  tell.setAttribute('aria-label', `Tell of containers of ${b.bank}`);
  show(tell, model.layout.roles.length > 0);
  name.append(tell, told);
  row.append(name,
    h('td', { 'data-head': 'Empty at about' }, empty, when, staffed,
      period(known('time-to-empty-standby'), 'with the standby', 'empty'), period(known('time-to-empty-stock'), 'with all stock', 'empty'),
      period(of.bind(null, 'time-to-order'), 'time to order', 'late')),
    h('td', { 'data-head': 'Chlorine left' }, field(() => of('net-weight')), ...containers, field(() => of('stock'), 'in stock')),
    h('td', { 'data-head': 'Drawn, of what it can give' }, rate, range,
      drawn(() => {
        const f = of('withdrawal-ratio');
        return [share(f, 1.25), { low: f?.low == null ? null : f.low / 1.25, high: f?.high == null ? null : f.high / 1.25, limit: 0.8 }];
      }),
      lost,
      more('bank', b.bank, ['net-weight', 'withdrawal-rate', 'withdrawal-limit', 'withdrawal-ratio', 'time-to-empty', 'time-to-empty-standby', 'time-to-empty-stock',
        'time-to-order', 'stock', 'unaccounted-hour', 'unaccounted-day', 'smallest-loss', 'loss-reportable', 'changeover-unstaffed']) || ''));
  return row;
}

const ratioPlaced = ['inactivation-ratio', 'ratio-ahead', 'residual-needed', 'flow-greatest', 'ct', 'ct-required-giardia', 'ct-required-virus', 't10',
  'day-ratio', 'day-lowest-ratio', 'day-lowest-residual', 'day-peak-flow', 'day-covered', 'giardia-log', 'virus-log', 'giardia-log-owed', 'virus-log-owed'];

// disinfection is a row of the table of contact.
function disinfection(kind, name, note, alarmsOf, now, ahead, day, from) {
  const of = (q) => figure(kind, name, q);
  const row = h('tr'), head = h('th', { scope: 'row' }, h('span', { class: 'name' }, name), note ? h('span', { class: 'note' }, note) : null);
  flag(row, head, () => limitsOf(alarmsOf));
  row.append(head,
    h('td', { 'data-head': 'Ratio now, at least 1' }, field(() => of('inactivation-ratio')), drawn(() => [share(of('inactivation-ratio'), 3), { limit: 1 / 3 }]), ...now),
    h('td', { 'data-head': 'Coming hour' }, field(() => of('ratio-ahead'), 'lowest ratio'), ...ahead),
    h('td', { 'data-head': 'The day so far' }, ...day),
    h('td', { 'data-head': 'Made from' }, ...from, more(kind, name, ratioPlaced) || ''));
  return row;
}

// coverage says how much of a day is known.
function coverage(of) {
  const covered = h('span', { class: 'note' });
  rows.push(() => {
    const f = of('day-covered')();
    show(covered, Boolean(f && f.value !== null));
    set(covered, f && f.value !== null ? `of ${Math.floor(f.value * 100)} % of a whole day` : '');
  });
  return covered;
}

// method says how a ratio is made, where practice has several ways.
function method(of) {
  const how = h('p', { class: 'note' }), fold = h('details', {}, h('summary', {}, 'how the ratio is made'), how);
  rows.push(() => {
    const f = of('inactivation-ratio')();
    show(fold, Boolean(f && f.method));
    set(how, f?.method || '');
  });
  return fold;
}

function segment(s) {
  const of = (q) => () => figure('segment', s.segment, q);
  const point = (p, label) => (p ? field(() => model.figures.get(p), label) : '');
  return disinfection('segment', s.segment, '', [`segment.${s.segment}.inactivation-ratio`, s.residual],
    [field(of('ct'), 'CT'), field(of('ct-required-giardia'), 'required, Giardia'), field(of('ct-required-virus'), 'required, viruses'), field(of('t10'), 'contact time T10')],
    [field(of('residual-needed'), 'chlorine needed'), field(of('flow-greatest'), 'flow at most')],
    [field(of('day-lowest-ratio'), 'worst ratio at any time'), field(of('day-ratio'), 'ratio at its peak hour'), field(of('day-lowest-residual'), 'lowest chlorine'), field(of('day-peak-flow'), 'greatest flow'), coverage(of)],
    [point(s.residual, 'free chlorine'), point(s.ph, 'pH'), point(s.temperature, 'water'), point(s.flow, 'flow'), point(s.level, 'level'), method(of)]);
}

function train(t) {
  const of = (q) => () => figure('train', t.train, q);
  return disinfection('train', t.train, `all of ${t.segments.join(' and ')} together`, [`train.${t.train}.inactivation-ratio`], [], [],
    [field(of('day-ratio'), 'ratio at the peak hours'), field(of('day-ratio-extremes'), "by the day's extremes"), coverage(of)],
    [field(of('giardia-log'), 'Giardia, log'), field(of('giardia-log-owed'), 'owed'), field(of('virus-log'), 'viruses, log'), field(of('virus-log-owed'), 'owed'), method(of)]);
}

// entry is where water enters the distribution system, with the clocks of its rule.
function entry(name) {
  const of = (q) => () => figure('entry', name, q);
  const row = h('tr'), head = h('th', { scope: 'row' }, h('span', { class: 'name' }, name), h('span', { class: 'note' }, 'where water leaves the plant'));
  flag(row, head, () => limitsOf([name, ...['under-residual', 'under-residual-left', 'grab-sample-due', 'analyser-back-in'].map((q) => `entry.${name}.${q}`)]));
  row.append(head,
    h('td', { 'data-head': 'Free chlorine now' }, field(() => model.figures.get(name))),
    h('td', { colspan: 3, 'data-head': 'Clocks of the rule' }, period(of('under-residual'), 'under its least for'), period(of('under-residual-left'), 'may be so for', 'OVER'),
      period(of('grab-sample-due'), 'if the analyser fails, a grab sample within', 'OVERDUE'), period(of('analyser-back-in'), 'and the analyser back in', 'OVERDUE')));
  return row;
}

function distribution(name) {
  return h('tr', {}, h('th', { scope: 'row' }, h('span', { class: 'name' }, 'distribution'), h('span', { class: 'note' }, 'from samples that people enter')),
    h('td', { colspan: 4, 'data-head': 'Samples' }, field(() => figure('distribution', name, 'annual-average'), 'running annual average of free chlorine')));
}

function room(r) {
  const of = (q) => figure('room', r.room, q), say = h('td', { colspan: 3, 'data-head': 'Together' });
  rows.push(() => {
    const parts = [], told = (f, otherwise) => (f && f.value ? parts.push(f.detail) : otherwise && f && f.value === 0 ? parts.push(otherwise) : null);
    const calling = of('calling');
    if (calling && calling.value !== null) parts.push(`${calling.value} of ${r.detectors.length} show gas`);
    told(of('vote'));
    told(of('blind'));
    told(of('ventilation'), 'ventilation in order');
    set(say, parts.join('; '));
    say.classList.toggle('bad', ['vote', 'blind', 'ventilation'].some((q) => of(q)?.value > 0));
  });
  const body = h('tbody', {}, h('tr', { class: 'group' }, h('th', { scope: 'rowgroup' }, r.room), say));
  for (const d of r.detectors) body.append(detector(d));
  return body;
}

function detector(d) {
  const of = (q) => figure('detector', d, q);
  const row = h('tr'), name = h('th', { scope: 'row' }, h('span', { class: 'name' }, d));
  flag(row, name, () => alarmsOf(d));
  const level = h('span', { class: 'note' }), health = h('span', { class: 'state' }), tests = h('span', { class: 'state' });
  rows.push(() => {
    const l = of('level'), u = of('unavailable'), due = of('service-overdue');
    set(level, !l || l.value === null ? 'whether there is gas is not known' : l.value >= 2 ? 'OVER LEVEL 2' : l.value >= 1 ? 'OVER LEVEL 1' : 'under level 1');
    const out = !u || u.value === null || u.value !== 0;
    set(health, !u || u.value === null ? 'not known' : out ? 'UNAVAILABLE: ' + u.detail : l && l.value === null ? 'not known yet' : 'in order');
    health.classList.toggle('bad', out);
    const work = [['bump-test-due', 'bump test'], ['calibration-due', 'calibration']].map(([q, what]) => [of(q), what]).filter(([f]) => f && f.value !== null);
    set(tests, work.length ? work.map(([f, what]) => `${what} ${f.detail}, ${f.value < 0 ? 'OVERDUE by' : 'due in'} ${words.span(Math.abs(f.value) * 86400)}`).join('; ')
      : due && due.value ? due.detail : 'not recorded here');
    tests.classList.toggle('bad', Boolean(due && due.value));
  });
  row.append(name, h('td', { 'data-head': 'Chlorine gas' }, field(() => of('concentration')), level), h('td', { 'data-head': 'Detector itself' }, health),
    h('td', { 'data-head': 'Last tests' }, tests, more('detector', d, ['concentration', 'level', 'unavailable', 'service-overdue', 'bump-test-due', 'calibration-due']) || ''));
  return row;
}

// condition says in words how a line or an instrument does.
function condition(kind, owner) {
  const e = h('span', { class: 'state' });
  rows.push(() => {
    const lost = figure(kind, owner, 'lost'), doubt = figure(kind, owner, 'doubtful'), pace = figure(kind, owner, 'pace');
    let text = 'in order', bad = false;
    if (!lost || lost.value === null) [text, bad] = ['not known' + (lost?.detail ? ': ' + lost.detail : ''), true];
    else if (lost.value !== 0) [text, bad] = ['LOST: ' + (lost.detail || 'no usable value'), true];
    else if (doubt && doubt.value) [text, bad] = ['IN DOUBT: ' + doubt.detail, true];
    else if (pace && pace.value > 1.25) [text, bad] = [`late: readings take ${words.number(pace.value, 'pace')} times as long as planned`, true];
    set(e, text);
    e.classList.toggle('bad', bad);
  });
  return e;
}

function line(l) {
  const head = h('tr', { class: 'group' }, h('th', { scope: 'rowgroup' }, l.line), h('td', { colspan: 2 }, condition('line', l.line)));
  const body = h('tbody', {}, head);
  for (const i of l.instruments) {
    const row = h('tr'), name = h('th', { scope: 'row' }, h('span', { class: 'name' }, i.instrument));
    flag(row, name, () => [model.alarms.get(i.instrument + '-lost'), model.alarms.get(i.instrument + '-doubtful')]);
    row.append(name, h('td', { 'data-head': 'State' }, condition('instrument', i.instrument)),
      h('td', { 'data-head': 'Reads' }, ...i.points.map((p) => field(() => model.figures.get(p), p))));
    body.append(row);
  }
  return body;
}

// --- alarms

function urgency(a, b) {
  return words.active(b) - words.active(a) || words.rank(a.priority) - words.rank(b.priority) ||
    words.unanswered(b) - words.unanswered(a) || Date.parse(a.since) - Date.parse(b.since) || (a.alarm < b.alarm ? -1 : 1);
}

const items = new Map(); // what is shown of each alarm
let heardOf = null; // episodes that have been announced

function alarms() {
  const all = [...model.alarms.values()];
  const standing = all.filter((a) => a.state !== 'normal').sort((a, b) => words.withheld(a) - words.withheld(b) || urgency(a, b));
  const unjudged = all.filter((a) => a.state === 'normal' && a.quality.startsWith('bad'));
  // Without samples that people enter nothing that is watched has failed.
  const unsampled = unjudged.filter((a) => a.quality === 'bad:missing-input' && owners('distribution').some((o) => a.alarm.startsWith(o + '-')));
  const blind = unjudged.filter((a) => !unsampled.includes(a));
  const names = (list) => list.map((a) => a.alarm).join(', ');
  set($('no-alarm'), [standing.length ? '' : 'No alarm stands.',
    blind.length ? `${blind.length} of ${all.length} alarms cannot be judged now: ${names(blind)}.` : '',
    unsampled.length ? `Waiting for samples that people enter: ${names(unsampled)}.` : ''].join(' ').trim());
  show($('no-alarm'), $('no-alarm').textContent !== '');
  for (const [name, item] of items) {
    if (!standing.some((a) => a.alarm === name)) {
      item.element.remove();
      items.delete(name);
    }
  }
  standing.forEach((a, at) => {
    let item = items.get(a.alarm);
    if (!item) items.set(a.alarm, (item = alarmItem(a)));
    item.update(a, at === 0);
    if ($('standing').children[at] !== item.element) $('standing').insertBefore(item.element, $('standing').children[at] || null);
  });
  announce(all);
}

// asked tells how much the alarms ask of people, as ISA-18.2 measures it.
function asked() {
  const p = model.performance;
  show($('asked'), Boolean(p));
  if (!p) return;
  const times = (n) => (n === 1 ? 'once' : n + ' times');
  set($('asked').firstElementChild, (p.flood ? 'ALARM FLOOD: ' : '') + `Alarms called ${times(p.last_hour)} in the last hour, ${times(p.last_day)} in the last day`);
  const say = [
    `${words.number(p.per_hour, 'ratio')} calls an hour over ${words.span(p.watched_s)} watched; about 6 are acceptable, 12 the most that one person can manage`,
    `at most ${p.peak} in 10 minutes; over 10 are too many`,
    `in flood for ${words.span(p.time_in_flood_s)}`,
    `${p.standing} standing, ${p.unanswered} not answered, ${p.stale} standing for over a day, ${p.withheld} withheld`,
    `${p.fleeting} gone before anyone could act`,
    p.chattering.length ? `chattering now: ${p.chattering.join(', ')}` : '',
    p.top.length ? `called most: ${p.top.map((t) => `${t.alarm} ${t.annunciations}`).join(', ')}` : '',
  ].filter(Boolean);
  const list = $('asked').lastElementChild;
  if (list.textContent !== say.join('')) list.replaceChildren(...say.map((t) => h('li', {}, t)));
}

// announce tells a screen reader of alarms that are new since the last look.
function announce(all) {
  const now = new Map(all.filter(words.active).map((a) => [a.alarm, a]));
  if (heardOf) {
    const fresh = [...now.values()].filter((a) => heardOf.get(a.alarm)?.episode !== a.episode).sort(urgency);
    const gone = [...heardOf.keys()].filter((n) => !now.has(n));
    if (fresh.length) $('news').textContent = fresh.map((a) => `New ${a.priority} alarm: ${a.what}`).join(' ');
    else if (gone.length) $('news').textContent = `No longer standing: ${gone.join(', ')}.`;
  }
  heardOf = now;
}

function alarmItem(first) {
  const sign = svg('svg', { viewBox: '0 0 24 24', 'aria-hidden': 'true' });
  const title = h('h3'), facts = h('p', { class: 'facts' }), consequence = h('p', { class: 'consequence' });
  const actions = h('ol', { class: 'actions' }), brief = h('summary'), todo = h('details', {}, brief, actions);
  const told = h('p', { class: 'answer', role: 'status' });
  const acknowledge = h('button', { type: 'button', class: 'order', onclick: () => order('acknowledge', current, told) }, 'Acknowledge');
  const reset = h('button', { type: 'button', class: 'order', onclick: () => order('reset', current, told) }, 'Reset');
  const shelve = h('button', { type: 'button', class: 'order', onclick: () => askShelf(current, told) }, 'Shelve');
  const unshelve = h('button', { type: 'button', class: 'order', onclick: () => order('unshelve', current, told) }, 'Unshelve');
  for (const b of [acknowledge, reset, shelve, unshelve]) b.setAttribute('aria-label', `${b.textContent} ${first.alarm}`);
  const element = h('li', {}, sign, h('div', {}, title, facts, consequence, todo, h('p', { class: 'buttons' }, acknowledge, ' ', reset, ' ', shelve, ' ', unshelve), told));
  let current = first, listed, wasTop;
  return {
    element,
    // top is whether no alarm is more urgent: of several, one list is to be read.
    update(a, top) {
      current = a;
      if (top !== wasTop) todo.open = top;
      wasTop = top;
      const now = Date.parse(model.time), since = Date.parse(a.since), kept = words.withheld(a);
      element.dataset.priority = a.priority;
      element.dataset.state = a.state;
      mark(sign, 'alarm', a.priority);
      set(title, a.what);
      const until = since + words.goSpan(a.respond_within) * 1000;
      const late = now > until;
      set(facts, [
        a.priority.toUpperCase(), words.state(a.state), `since ${words.clock(since, now)}, ${words.span((now - since) / 1000)}`, a.place, a.alarm,
        a.state === 'unacknowledged' ? (late ? `RESPONSE OVERDUE since ${words.clock(until, now)}` : `respond by ${words.clock(until, now)}`) : '',
        a.acknowledged_by && !words.unanswered(a) ? 'acknowledged by ' + a.acknowledged_by : '',
        a.shelved_until ? 'until ' + words.clock(Date.parse(a.shelved_until), now) : '',
        a.withheld_by ? `by ${a.withheld_by}: ${a.withheld_why || 'no reason given'}` : '',
        kept && a.underlying ? 'underneath: ' + words.state(a.underlying) : '',
        a.first_out ? 'first of its group' : '', a.vote || '', a.test ? 'BEING TESTED' : '',
        a.quality.startsWith('bad') ? 'cannot be judged now, held as it stood' : '',
        a.evidence ? 'what else speaks: ' + a.evidence : '',
      ].filter(Boolean).join(' · '));
      set(consequence, a.consequence);
      const list = a.first_action.join('\n');
      if (list !== listed) actions.replaceChildren(...a.first_action.map((t) => h('li', {}, t)));
      set(brief, todo.open || !a.first_action.length ? 'What to do, in this order' : `What to do: ${a.first_action[0]}` + (a.first_action.length > 1 ? ` (and ${a.first_action.length - 1} more)` : ''));
      listed = list;
      show(todo, a.first_action.length > 0 && words.active(a));
      show(consequence, words.active(a));
      const may = model.layout.roles.length > 0 && !kept;
      show(acknowledge, may && words.unanswered(a));
      show(reset, may && words.latched(a));
      show(shelve, may && a.state !== 'normal');
      show(unshelve, model.layout.roles.length > 0 && a.state === 'shelved');
    },
  };
}

// --- orders

let key = null; // role and secret, in this window alone
let waiting = null;

function ask(then) {
  waiting = then;
  $('secret').value = '';
  $('key').showModal();
}

const done = { container: 'Entered.', acknowledge: 'Acknowledged.', reset: 'Reset.', shelve: 'Shelved.', unshelve: 'Unshelved.' };

async function order(verb, a, told, more = {}) {
  if (!key) return ask(() => order(verb, a, told, more));
  set(told, 'Sending …');
  const id = [...crypto.getRandomValues(new Uint8Array(12))].map((b) => b.toString(16).padStart(2, '0')).join('');
  try {
    const r = await fetch('/v1/order', {
      method: 'POST',
      headers: { 'Content-Type': 'application/json', Authorization: 'Bearer ' + key.secret },
      body: JSON.stringify({ order: id, verb, role: key.role, alarm: a.alarm, episode: a.episode, ...more }),
    });
    const answer = await r.json();
    if (r.status === 401) forget();
    set(told, answer.result === 'done' ? done[verb] : `${answer.result === 'already' ? 'Already done' : 'Refused'}: ${answer.why}`);
  } catch {
    set(told, 'The order did not arrive, or its answer did not. Look at the state of the alarm before you try again.');
  }
}

// askBox asks what was done to the containers of a bank.
let boxing = null;
function askBox(b, told) {
  if (!key) return ask(() => askBox(b, told));
  boxing = { b, told };
  $('did').replaceChildren(...b.containers.flatMap((c) => [
    h('option', { value: 'on ' + c.container }, `${c.container}: this container stands there`),
    h('option', { value: 'off ' + c.container }, `${c.container}: taken off for good`),
    h('option', { value: 'correct ' + c.container }, `${c.container}: serial or tare was wrong`),
  ]), h('option', { value: 'received' }, 'full containers came'), h('option', { value: 'stock' }, 'full containers were counted'));
  for (const id of ['serial', 'tare', 'count']) $(id).value = '';
  boxFields();
  $('box').showModal();
}
function boxFields() {
  const action = $('did').value.split(' ')[0], stock = action === 'received' || action === 'stock';
  for (const p of $('box').querySelectorAll('.of-container')) show(p, !stock && action !== 'off');
  for (const p of $('box').querySelectorAll('.of-stock')) show(p, stock);
  $('count').required = stock;
}
$('did').addEventListener('change', boxFields);
$('box').querySelector('form').addEventListener('submit', (e) => {
  e.preventDefault();
  $('box').close();
  const [action, container] = $('did').value.split(' ');
  const more = container ? { action, container } : { action, bank: boxing.b.bank, count: Number($('count').value) };
  if (container && action !== 'off') Object.assign(more, { serial: $('serial').value.trim(), tare: $('tare').value.trim() });
  order('container', { alarm: '', episode: 0 }, boxing.told, more);
});
$('box-cancel').addEventListener('click', () => $('box').close());

// askShelf asks for how long and why an alarm is to be kept from people.
let shelving = null;
function askShelf(a, told) {
  shelving = { a, told };
  set($('shelf-what'), a.what);
  $('reason').value = '';
  $('shelf').showModal();
}
$('shelf').querySelector('form').addEventListener('submit', (e) => {
  e.preventDefault();
  $('shelf').close();
  order('shelve', shelving.a, shelving.told, { for: $('for').value, reason: $('reason').value });
});
$('shelf-cancel').addEventListener('click', () => $('shelf').close());

function forget() {
  key = null;
  set($('enter'), 'Give a key');
}

$('key').querySelector('form').addEventListener('submit', (e) => {
  e.preventDefault();
  key = { role: $('role').value, secret: $('secret').value };
  $('secret').value = '';
  $('key').close();
  set($('enter'), `Forget the key of ${key.role}`);
  const then = waiting;
  waiting = null;
  then?.();
});
$('cancel').addEventListener('click', () => $('key').close());
$('enter').addEventListener('click', () => (key ? forget() : ask(null)));

// --- dark or light

const shades = ['', 'dark', 'light'];
function shade(s) {
  root.dataset.shade = s;
  $('shade').textContent = s === 'dark' ? 'Dark or light: dark' : s === 'light' ? 'Dark or light: light' : 'Dark or light: by itself';
  try {
    localStorage.setItem('shade', s);
  } catch { /* a browser that keeps nothing */ }
}
let chosen = '';
try {
  chosen = localStorage.getItem('shade') || '';
} catch { /* likewise */ }
shade(shades.includes(chosen) ? chosen : '');
$('shade').addEventListener('click', () => shade(shades[(shades.indexOf(root.dataset.shade) + 1) % shades.length]));

// --- all of it

function render() {
  if (!model.layout) return;
  const now = Date.parse(model.time);
  set($('clock'), `${words.day(now)} ${words.seconds(now)} (${words.zoneName()})`);
  for (const row of rows) row();
  alarms();
  asked();
  trends.follow();
  tick();
}

open();
setInterval(tick, 1000);
document.addEventListener('visibilitychange', () => document.hidden || tick());
tick();
