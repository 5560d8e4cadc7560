// Photos wait in this browser (IndexedDB) until they are measured. Each is known by its
// SHA-256, so none is there twice; each goes up in parts, so a broken connection costs one part.
// Judgements on the clinch wait with their close-ups, or alone.
import { ask } from './stream.js';

const PART = 512 * 1024; // bytes

export const able = Boolean(globalThis.crypto?.subtle && globalThis.indexedDB);

let opened;
function open() {
  opened ??= new Promise((resolve, reject) => {
    const r = indexedDB.open('beltend', 1);
    r.onupgradeneeded = () => r.result.createObjectStore('photos', { keyPath: 'id' });
    r.onsuccess = () => resolve(r.result);
    r.onerror = () => reject(r.error);
  });
  return opened;
}

async function run(mode, what) {
  const db = await open();
  return new Promise((resolve, reject) => {
    const t = db.transaction('photos', mode);
    const r = what(t.objectStore('photos'));
    t.oncomplete = () => resolve(r.result);
    t.onerror = t.onabort = () => reject(t.error);
  });
}

// Whoever shows what waits listens for this event of the window; the other pages that are
// open hear of it, and of what came of a place's photos.
const CHANGED = 'beltend-queue';
const changed = () => dispatchEvent(new Event(CHANGED));
const pages = globalThis.BroadcastChannel ? new BroadcastChannel(CHANGED) : undefined;
pages?.addEventListener('message', changed);
const tellAll = (done) => { changed(); pages?.postMessage({}); return done; };

// elsewhere hears of what came of what another page sent: on.done(place, answer),
// on.refused(place, problem).
export function elsewhere(on) {
  pages?.addEventListener('message', ({ data: { place, done, refused } }) => {
    if (done) on.done(place, done);
    if (refused) on.refused(place, refused);
  });
}
const put = (item) => run('readwrite', (s) => s.put(item)).then(tellAll);
export const remove = (id) => run('readwrite', (s) => s.delete(id)).then(tellAll);
const get = (id) => run('readonly', (s) => s.get(id));

const same = (a, b) => a.joint === b.joint && a.end === b.end && a.step === b.step;

// A place is joint, end and step. A finished joint (step finished) and its clinch (step clinch,
// with the look that is judged) have no one end, a quick measurement (step quick) no joint
// either: there the end is the time when the form was sent, and what was sent together is
// measured together.
const asForm = ({ step }) => step === 'finished' || step === 'clinch' || step === 'quick';

// pageOf is the page that shows a place.
export function pageOf({ joint, end, step }) {
  if (step === 'quick') return '/';
  if (step === 'clinch') return `/joints/${joint}/finished#clinch`;
  return step === 'finished' ? `/joints/${joint}/finished` : `/joints/${joint}/end/${end}/${step}`;
}

// askedOf is the address that takes what a place asks for.
function askedOf(place) {
  if (place.step === 'quick') return '/measure';
  if (place.step === 'clinch') return `/joints/${place.joint}/finished/${place.look}/clinch/judged`;
  return `${pageOf(place)}/measure`;
}

// list gives the photos of which all that is asked for holds, or all; the oldest first.
export async function list(where = {}) {
  const all = await run('readonly', (s) => s.getAll());
  return all.filter((i) => Object.keys(where).every((k) => i[k] === where[k])).sort((a, b) => a.added - b.added);
}

export async function waiting() {
  if (!able) return 0;
  return (await list()).filter((i) => i.state !== 'refused').length;
}

// add keeps a photo; false when it is there already. named is its joint, for people; field
// that of a form with several, where one photo may be in more than one.
export async function add(file, where, order, named = '', field = '') {
  const bytes = await file.arrayBuffer();
  const hash = [...new Uint8Array(await crypto.subtle.digest('SHA-256', bytes))].map((b) => b.toString(16).padStart(2, '0')).join('');
  const id = [where.joint, where.end, where.step, hash, ...(field ? [field] : [])].join('/');
  const { joint, step, look } = where;
  if (await get(id) || asForm(where) && (await list({ joint, step, hash, ...(field && { field, look }) })).length > 0) return false;
  await put({ id, hash, ...where, field, named, order, name: file.name, blob: new Blob([bytes], { type: file.type }), size: bytes.byteLength, have: 0, state: 'waiting', added: Date.now() });
  return true;
}

// addAlone keeps an order without photos; false when the same waits already.
export async function addAlone(where, order, named, name) {
  const { joint, step, look } = where;
  const id = [joint, step, look, JSON.stringify(order)].join('/');
  if (await get(id) || (await list({ joint, step, look })).some((i) => JSON.stringify(i.order) === JSON.stringify(order))) return false;
  await put({ id, ...where, named, order, name, size: 0, have: 0, state: 'waiting', added: Date.now() });
  return true;
}

// set changes what is known of a photo.
export async function set(id, more) {
  const item = await get(id);
  if (item) await put({ ...item, ...more });
}

// again makes refused photos wait once more.
export async function again(id) {
  const item = await get(id);
  if (item) await set(id, { state: item.kept ? 'sent' : 'waiting' });
}

class Refused extends Error {
  constructor(problem) { super(problem.detail); this.problem = problem; }
}

async function json(answer) {
  const body = await answer.json().catch(() => ({}));
  if (answer.ok) return body;
  // Not signed in, out of order, or broken off on the way: later.
  if (answer.status >= 500 || answer.status === 401 || !body.code || body.code === 'bad_form') throw new Error(body.detail ?? answer.statusText);
  throw new Refused(body);
}

async function upload(item) {
  const address = `${item.joint && `/joints/${item.joint}`}/photos/${item.hash}`;
  let state = await json(await fetch(address, { headers: { Accept: 'application/json' } }));
  while (!state.kept) {
    item = { ...item, have: state.have, state: 'sending' };
    await put(item);
    const query = new URLSearchParams({ at: state.have, of: item.size, name: item.name });
    state = await json(await fetch(`${address}?${query}`, { method: 'PUT', body: item.blob.slice(state.have, state.have + PART) }));
  }
  await put({ ...item, have: item.size, kept: state.kept, state: 'sent' });
}

// retry gives later(), which calls go again after a break: in 8 s, each time twice as long,
// at most 2 min; at once when the browser says that there is a network. fresh() begins anew.
export function retry(go) {
  const [FIRST, MOST] = [8000, 120000]; // ms
  let pause = FIRST;
  let timer;
  const fresh = () => { clearTimeout(timer); timer = undefined; pause = FIRST; };
  // of two that waited for the same attempt the second changes nothing
  const later = () => {
    if (timer) return;
    timer = setTimeout(() => { timer = undefined; go(); }, pause);
    pause = Math.min(2 * pause, MOST);
  };
  addEventListener('online', () => { fresh(); go(); });
  return { fresh, later };
}

let sending; // one at a time in this page; other pages are kept out by a lock

// send sends what waits and measures it. on.step({step, done}), on.done(place, answer),
// on.refused(place, problem). Throws when the connection breaks.
export function send(on = {}) {
  const locked = () => (navigator.locks ? navigator.locks.request('beltend-queue', () => sendAll(on)) : sendAll(on));
  sending ??= locked().finally(() => { sending = undefined; });
  return sending;
}

function tellPages({ joint, end, step, look }, what) { pages?.postMessage({ place: { joint, end, step, look }, ...what }); }

async function sendAll(on) {
  for (const item of await list()) {
    if (!item.blob || item.state !== 'waiting' && item.state !== 'sending') continue;
    try {
      await upload(item);
    } catch (e) {
      if (!(e instanceof Refused)) {
        await set(item.id, { state: 'waiting' });
        throw e;
      }
      await put({ ...item, state: 'refused', problem: e.problem });
      on.refused?.(item, e.problem);
      tellPages(item, { refused: e.problem });
    }
  }
  for (;;) {
    const sent = (await list()).filter((i) => i.state === 'sent' || !i.blob && i.state === 'waiting');
    if (sent.length === 0) return;
    const place = sent[0];
    const together = sent.filter((i) => same(i, place));
    const order = { ...place.order, photos: together.map((i) => i.kept) };
    if (place.step === 'clinch') order.photos = Object.fromEntries(together.filter((i) => i.kept).map((i) => [i.field, i.kept]));
    if (!asForm(place)) order.hints = together.flatMap((i, photo) => (i.hints ?? []).map((h) => ({ ...h, photo })));
    const { done, refused } = await ask(askedOf(place), order, on.step);
    if (refused?.again) {
      await new Promise((r) => setTimeout(r, 1000 * (refused.after || 4)));
      continue;
    }
    for (const item of together) {
      if (done) await remove(item.id);
      else await put({ ...item, state: 'refused', problem: refused });
    }
    if (done) on.done?.(place, done);
    else on.refused?.(place, refused);
    tellPages(place, { done, refused });
  }
}
