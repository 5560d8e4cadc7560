// The page that takes photos: into the queue, up, measured; everything seen on the way.
import { able, add, again, list, remove, send } from './queue.js';
import { make, text } from './texts.js';

const page = document.getElementById('photo');
const camera = document.getElementById('camera');
if (able && camera) {
  const where = { joint: page.dataset.joint, end: page.dataset.end, step: page.dataset.step };
  const box = document.getElementById('queue');
  const bar = box.querySelector('progress');
  const stage = document.getElementById('stage');
  const refusedBox = document.getElementById('refused');
  document.getElementById('plain').hidden = true;
  for (const label of page.querySelectorAll('.camera, .pick')) label.hidden = false;

  const thumbs = new Map(); // object URLs by id
  async function show() {
    const items = await list(where);
    box.hidden = items.length === 0;
    box.querySelector('ul').replaceChildren(...items.map((i) => {
      if (!thumbs.has(i.id)) thumbs.set(i.id, URL.createObjectURL(i.blob));
      const part = i.state === 'sending' && i.size ? ` ${Math.floor((100 * i.have) / i.size)} %` : '';
      const line = make('div', {}, make('b', {}, i.name), make('small', { class: 'state' }, ' ' + text('photo.' + i.state) + part));
      const item = make('li', { 'data-state': i.state }, make('img', { src: thumbs.get(i.id), alt: '' }), line);
      if (i.state === 'refused') item.append(make('button', { type: 'button', class: 'second', onclick: async () => { await again(i.id); go(); } }, text('photo.again')));
      if (i.state !== 'sending') item.append(make('button', { type: 'button', class: 'second', onclick: async () => { await remove(i.id); show(); } }, text('photo.drop')));
      return item;
    }));
  }

  function refuse(problem) {
    refusedBox.hidden = false;
    refusedBox.querySelector('h2').textContent = problem.title ?? '';
    refusedBox.querySelector('.detail').textContent = problem.detail ?? '';
    refusedBox.querySelector('.do span').textContent = problem.advice ?? '';
    const checks = document.getElementById('checks');
    if (problem.checks) {
      checks.hidden = false;
      checks.querySelector('ul').replaceChildren(...problem.checks.map((c) =>
        make('li', { class: c.State }, make('b', {}, c.Text), ...(c.Do ? [make('small', {}, c.Do)] : []))));
    }
    refusedBox.scrollIntoView({ block: 'nearest' });
  }

  async function go() {
    refusedBox.hidden = true;
    await show();
    if (!navigator.onLine) return;
    try {
      await send({
        change: show,
        step: ({ step, done }) => { bar.hidden = false; bar.value = done; stage.textContent = text('photo.step_' + step); },
        done: (place, answer) => { if (place.joint === where.joint && place.end === where.end && place.step === where.step) location.assign(answer.address); },
        refused: (place, problem) => refuse(problem),
      });
    } catch {
      stage.textContent = text('photo.waiting');
      clearTimeout(go.later);
      go.later = setTimeout(go, 8000);
    }
    bar.hidden = true;
    await show();
  }

  async function take(input) {
    const form = Object.fromEntries(new FormData(document.getElementById('order')));
    const order = { card_set: form.card_set ?? '', print_scale: form.print_scale ?? '', trim: form.trim ?? '', fresh: form.fresh === 'on' };
    const files = [...input.files];
    let twice = false;
    for (const file of files) twice = !await add(file, where, order) || twice;
    input.value = '';
    stage.textContent = twice ? text('photo.twice') : '';
    go();
  }
  for (const input of [camera, document.getElementById('files')]) input.addEventListener('change', () => take(input));
  addEventListener('online', go);
  go();
}
