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
  $('segments').tBodies[0].replaceChildren(...model.layout.segments.map(segment));
  for (const b of [...$('detectors').tBodies, ...$('instruments').tBodies]) b.remove();
  $('detectors').append(...model.layout.rooms.map(room));
  $('instruments').append(...model.layout.lines.map(line));
  show($('supply'), model.layout.banks.length > 0);
  show($('contact'), model.layout.segments.length > 0);
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
const share = (f, of) => (f && f.value !== null ? f.value / of : null);

// others are the figures of an owner that the sheet has no place of its own for.
function others(kind, owner, placed) {
  const out = [];
  for (const f of model.figures.values()) {
    if (f.kind === kind && f.owner === owner && !placed.includes(f.quantity)) out.push(field(() => model.figures.get(f.figure), f.quantity.replaceAll('-', ' ')));
  }
  return out;
}

function bank(b) {
  const of = (q) => figure('bank', b.bank, q);
  const empty = h('span', { class: 'value' }), when = h('span', { class: 'note' });
  rows.push(() => {
    const f = of('time-to-empty'), now = Date.parse(model.time);
    const hours = (v) => now + v * 3600e3;
    if (!f || f.value === null) {
      set(empty, 'not known');
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
      const f = model.figures.get(c.weight);
      return f && f.value !== null && c.tare !== null ? { ...f, value: f.value - c.tare, quantity: 'net-weight' } : f;
    };
    return h('span', { class: 'container' }, field(net, c.container),
      drawn(() => [share(net(), c.full), { dead: c.full ? c.heel / c.full : 0 }]));
  });
  const row = h('tr');
  const name = h('th', { scope: 'row' }, h('span', { class: 'name' }, b.bank), h('span', { class: 'note' }, b.place));
  flag(row, name, () => limitsOf(['time-to-empty', 'withdrawal-ratio'].map((q) => `bank.${b.bank}.${q}`)));
  const rate = h('span', { class: 'value' }), range = h('span', { class: 'note' });
  rows.push(() => {
    const r = of('withdrawal-rate'), l = of('withdrawal-limit');
    const given = words.value(r), limit = words.value(l);
    const still = of('time-to-empty')?.quality === 'uncertain:not-drawn' || r?.value <= 0;
    set(rate, r && r.value !== null && l && l.value !== null ? `${still ? 'none' : words.number(r.value, r.quantity)} of ${limit.text}` : `${given.text} of ${limit.text}`);
    set(range, given.why || limit.why || (r && r.low !== null && !still ? `likely between ${words.number(Math.max(0, r.low), r.quantity)} and ${words.number(r.high, r.quantity)}` : ''));
  });
  row.append(name,
    h('td', { 'data-head': 'Empty at about' }, empty, when),
    h('td', { 'data-head': 'Chlorine left' }, field(() => of('net-weight')), ...containers),
    h('td', { 'data-head': 'Drawn, of what it can give' }, rate, range,
      drawn(() => {
        const f = of('withdrawal-ratio');
        return [share(f, 1.25), { low: f?.low == null ? null : f.low / 1.25, high: f?.high == null ? null : f.high / 1.25, limit: 0.8 }];
      }),
      ...others('bank', b.bank, ['net-weight', 'withdrawal-rate', 'withdrawal-limit', 'withdrawal-ratio', 'time-to-empty'])));
  return row;
}

function segment(s) {
  const of = (q) => figure('segment', s.segment, q);
  const row = h('tr'), name = h('th', { scope: 'row' }, h('span', { class: 'name' }, s.segment));
  flag(row, name, () => limitsOf([`segment.${s.segment}.inactivation-ratio`, s.residual]));
  const point = (p, label) => (p ? field(() => model.figures.get(p), label) : null);
  row.append(name,
    h('td', { 'data-head': 'Ratio, at least 1' }, field(() => of('inactivation-ratio')),
      drawn(() => [share(of('inactivation-ratio'), 3), { limit: 1 / 3 }]),
      field(() => of('ratio-ahead'), 'lowest of the coming hour'),
      field(() => of('residual-needed'), 'chlorine needed'),
      field(() => of('flow-greatest'), 'flow at most')),
    h('td', { 'data-head': 'CT, required' }, field(() => of('ct'), 'CT'),
      field(() => of('ct-required-giardia'), 'required, Giardia'),
      field(() => of('ct-required-virus'), 'required, viruses'),
      field(() => of('t10'), 'contact time T10')),
    h('td', { 'data-head': 'Made from' }, point(s.residual, 'free chlorine'), point(s.ph, 'pH'), point(s.temperature, 'water'), point(s.flow, 'flow'), point(s.level, 'level'),
      ...others('segment', s.segment, ['inactivation-ratio', 'ratio-ahead', 'residual-needed', 'flow-greatest', 'ct', 'ct-required-giardia', 'ct-required-virus', 't10', 'giardia-log', 'virus-log'])));
  return row;
}

function room(r) {
  const body = h('tbody', {}, h('tr', { class: 'group' }, h('th', { colspan: 3, scope: 'rowgroup' }, r.room)));
  for (const d of r.detectors) {
    const of = (q) => figure('detector', d, q);
    const row = h('tr'), name = h('th', { scope: 'row' }, h('span', { class: 'name' }, d));
    flag(row, name, () => limitsOf([`detector.${d}.concentration`]).concat(model.alarms.get(d + '-unavailable')));
    const level = h('span', { class: 'note' }), health = h('span', { class: 'state' });
    rows.push(() => {
      const l = of('level'), u = of('unavailable');
      set(level, !l || l.value === null ? 'whether there is gas is not known' : l.value >= 2 ? 'OVER LEVEL 2' : l.value >= 1 ? 'OVER LEVEL 1' : 'under level 1');
      const out = !u || u.value === null || u.value !== 0;
      set(health, !u || u.value === null ? 'not known' : out ? 'UNAVAILABLE: ' + u.detail : l && l.value === null ? 'not known yet' : 'in order');
      health.classList.toggle('bad', out);
    });
    row.append(name, h('td', { 'data-head': 'Chlorine gas' }, field(() => of('concentration')), level), h('td', { 'data-head': 'Detector itself' }, health, ...others('detector', d, ['concentration', 'level', 'unavailable'])));
    body.append(row);
  }
  return body;
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
  const blind = all.filter((a) => a.state === 'normal' && a.quality.startsWith('bad'));
  set($('no-alarm'), [standing.length ? '' : 'No alarm stands.',
    blind.length ? `${blind.length} of ${all.length} alarms cannot be judged now: ${blind.map((a) => a.alarm).join(', ')}.` : ''].join(' ').trim());
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
    item.update(a);
    if ($('standing').children[at] !== item.element) $('standing').insertBefore(item.element, $('standing').children[at] || null);
  });
  announce(all);
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
  const actions = h('ol', { class: 'actions' }), todo = h('div', {}, h('p', { class: 'label' }, 'What to do, in this order'), actions);
  const told = h('p', { class: 'answer', role: 'status' });
  const acknowledge = h('button', { type: 'button', class: 'order', onclick: () => order('acknowledge', current, told) }, 'Acknowledge');
  const reset = h('button', { type: 'button', class: 'order', onclick: () => order('reset', current, told) }, 'Reset');
  const shelve = h('button', { type: 'button', class: 'order', onclick: () => askShelf(current, told) }, 'Shelve');
  const unshelve = h('button', { type: 'button', class: 'order', onclick: () => order('unshelve', current, told) }, 'Unshelve');
  for (const b of [acknowledge, reset, shelve, unshelve]) b.setAttribute('aria-label', `${b.textContent} ${first.alarm}`);
  const element = h('li', {}, sign, h('div', {}, title, facts, consequence, todo, h('p', { class: 'buttons' }, acknowledge, ' ', reset, ' ', shelve, ' ', unshelve), told));
  let current = first, listed;
  return {
    element,
    update(a) {
      current = a;
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
      ].filter(Boolean).join(' · '));
      set(consequence, a.consequence);
      const list = a.first_action.join('\n');
      if (list !== listed) actions.replaceChildren(...a.first_action.map((t) => h('li', {}, t)));
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

const done = { acknowledge: 'Acknowledged.', reset: 'Reset.', shelve: 'Shelved.', unshelve: 'Unshelved.' };

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
  trends.follow();
  tick();
}

open();
setInterval(tick, 1000);
document.addEventListener('visibilitychange', () => document.hidden || tick());
tick();
