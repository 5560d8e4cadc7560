// The photos that wait for the page that sends them: shown in its box #queue, sent, and what
// came of them said in its box #refused.
import { again, elsewhere, list, remove, retry, send } from './queue.js';
import { make, text, together } from './texts.js';

function thumb(i) {
  if (!i.blob) return make('span', { class: 'thumb' }, make('span', { class: 'nothumb', 'aria-hidden': 'true' }, '✓'));
  const img = make('img', { src: URL.createObjectURL(i.blob), alt: '' });
  // few browsers show HEIC
  img.addEventListener('error', () => { img.replaceWith(make('span', { class: 'nothumb', 'aria-hidden': 'true' }, (/\.(\w{1,4})$/.exec(i.name)?.[1] ?? '?').toUpperCase())); }, { once: true });
  return make('span', { class: 'thumb' }, img);
}

// queued gives go(said), which shows what of here(place) waits and sends everything that
// waits. Whoever has just sent something says so, or '', and is shown the box.
// onRefused(problem) shows more of a refusal.
export function queued(here, onRefused) {
  const box = document.getElementById('queue');
  const bar = box.querySelector('progress');
  const stage = document.getElementById('stage');
  const refusedBox = document.getElementById('refused');
  const thumbs = new Map(); // elements by id
  const tries = retry(() => go());
  let saying = '';

  async function show() {
    const items = (await list()).filter(here);
    box.hidden = items.length === 0;
    box.querySelector('ul').replaceChildren(...items.map((i) => {
      if (!thumbs.has(i.id)) thumbs.set(i.id, thumb(i));
      const part = i.have > 0 && i.have < i.size ? ` ${Math.floor((100 * i.have) / i.size)} %` : '';
      const line = make('div', {}, make('b', {}, i.name), make('small', { class: 'state' }, ' ' + text('photo.' + i.state) + part));
      const item = make('li', { 'data-state': i.state }, thumbs.get(i.id), line);
      if (i.state === 'refused') item.append(make('button', { type: 'button', class: 'second', onclick: async () => { await again(i.id); go(); } }, text('photo.again')));
      if (i.state !== 'sending') item.append(make('button', { type: 'button', class: 'second', onclick: () => remove(i.id) }, text('photo.drop')));
      return item;
    }));
  }

  function refuse(problem) {
    refusedBox.hidden = false;
    refusedBox.querySelector('h2').textContent = problem.title ?? '';
    refusedBox.querySelector('.detail').textContent = together(problem.detail ?? '');
    refusedBox.querySelector('.do span').textContent = together(problem.advice ?? '');
    const kept = refusedBox.querySelector('.kept');
    kept.hidden = !problem.address;
    if (problem.address) kept.querySelector('a').href = problem.address;
    onRefused?.(problem);
    refusedBox.scrollIntoView({ block: 'nearest' });
  }

  // leave shows the page of an answer, anew where it is this one.
  function leave(address) {
    const to = new URL(address, location.href);
    if (!to.hash || to.pathname !== location.pathname) return location.assign(address);
    history.replaceState(null, '', address);
    location.reload();
  }

  const hear = {
    done: (place, answer) => { if (here(place)) leave(answer.address); },
    refused: (place, problem) => { if (here(place)) refuse(problem); },
  };
  elsewhere(hear);
  addEventListener('beltend-queue', show);

  async function sendNow() {
    try {
      await send({
        ...hear,
        step: ({ step, done }) => { bar.hidden = false; bar.value = done; stage.textContent = text('photo.step_' + step); },
      });
      stage.textContent = saying;
      tries.fresh();
    } catch {
      stage.textContent = [saying, text('photo.waiting')].filter(Boolean).join(' ');
      tries.later();
    }
  }

  async function go(said) {
    stage.textContent = saying = said ?? '';
    refusedBox.hidden = true;
    await show();
    if (said !== undefined) box.scrollIntoView({ block: 'nearest' });
    if (navigator.onLine) await sendNow();
    bar.hidden = true;
    await show();
    const refused = (await list()).find((i) => here(i) && i.state === 'refused' && i.problem);
    if (refused && refusedBox.hidden) refuse(refused.problem); // before this page was opened
  }
  return go;
}
