// The photos that wait, shown in the box #queue of the page that sends them.
import { again, list, remove } from './queue.js';
import { make, text } from './texts.js';

function thumb(i) {
  const img = make('img', { src: URL.createObjectURL(i.blob), alt: '' });
  // few browsers show HEIC
  img.addEventListener('error', () => { img.replaceWith(make('span', { class: 'nothumb', 'aria-hidden': 'true' }, (/\.(\w{1,4})$/.exec(i.name)?.[1] ?? '?').toUpperCase())); }, { once: true });
  return make('span', { class: 'thumb' }, img);
}

// shown gives what shows the photos of a place; go sends what waits.
export function shown(box, where, go) {
  const thumbs = new Map(); // elements by id
  async function show() {
    const items = await list(where);
    box.hidden = items.length === 0;
    box.querySelector('ul').replaceChildren(...items.map((i) => {
      if (!thumbs.has(i.id)) thumbs.set(i.id, thumb(i));
      const part = i.have > 0 && i.have < i.size ? ` ${Math.floor((100 * i.have) / i.size)} %` : '';
      const line = make('div', {}, make('b', {}, i.name), make('small', { class: 'state' }, ' ' + text('photo.' + i.state) + part));
      const item = make('li', { 'data-state': i.state }, thumbs.get(i.id), line);
      if (i.state === 'refused') item.append(make('button', { type: 'button', class: 'second', onclick: async () => { await again(i.id); go(); } }, text('photo.again')));
      if (i.state !== 'sending') item.append(make('button', { type: 'button', class: 'second', onclick: async () => { await remove(i.id); show(); } }, text('photo.drop')));
      return item;
    }));
  }
  return show;
}
