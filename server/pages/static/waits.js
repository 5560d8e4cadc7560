// On the start's and the joint's page: how many photos wait in this browser, and where.
import { able, list, pageOf } from './queue.js';
import { make, text } from './texts.js';

const box = document.getElementById('waits');
async function show() {
  const places = new Map();
  for (const i of await list(box.dataset.joint ? { joint: box.dataset.joint } : {})) places.set(pageOf(i), [...places.get(pageOf(i)) ?? [], i]);
  box.hidden = places.size === 0;
  box.querySelector('ul').replaceChildren(...[...places].map(([page, items]) => {
    const { named, end, step } = items[0];
    const where = [box.dataset.joint ? '' : named, ['quick', 'finished', 'clinch'].includes(step) ? '' : text('end.' + end), text('step.' + step)].filter(Boolean).join(' · ');
    const photos = items.filter((i) => i.blob);
    const refused = photos.filter((i) => i.state === 'refused').length;
    const lines = [['photo.waits', photos.length - refused], ['photo.waits_refused', refused]].filter(([, n]) => n > 0)
      .map(([key, n]) => make('small', {}, n === 1 ? text(key + '_one') : text(key + '_some', n)));
    if (photos.length < items.length) lines.push(make('small', {}, text('photo.waits_judged')));
    return make('li', {}, make('a', { href: page === '/' ? '#queue' : page }, make('b', {}, where), ...lines));
  }));
}
if (able && box) {
  addEventListener('beltend-queue', show);
  show();
}
