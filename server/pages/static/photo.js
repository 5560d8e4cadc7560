// The page that takes photos: into the queue, up, measured; everything seen on the way.
import { correction, nudgeBy, show as showLines } from './hand.js';
import { able, add, list, set } from './queue.js';
import { queued } from './queued.js';
import { Stage } from './stage.js';
import { make, text } from './texts.js';

// What a person can settle by showing the place, and the edge that is most likely meant.
const SETTLED_BY_HAND = { edge_unclear: 'left', cut_unclear: 'cut', line_unclear: 'line' };

const page = document.getElementById('photo');
const camera = document.getElementById('camera');
if (able && camera) {
  const where = { joint: page.dataset.joint, end: page.dataset.end, step: page.dataset.step };
  const refusedBox = document.getElementById('refused');
  document.getElementById('plain').hidden = true;
  for (const label of page.querySelectorAll('.camera, .pick')) label.hidden = false;

  const go = queued((place) => place.joint === where.joint && place.end === where.end && place.step === where.step, (problem) => {
    const checks = document.getElementById('checks');
    if (problem.checks) {
      checks.hidden = false;
      checks.querySelector('ul').replaceChildren(...problem.checks.map((c) =>
        make('li', { class: c.State }, make('b', {}, c.Text), ...(c.Do ? [make('small', {}, c.Do)] : []))));
    }
    byHand(problem).catch(() => {}); // a photo that cannot be shown
  });

  // byHand shows the refused photo with what could be meant, to be settled.
  async function byHand(problem) {
    const figure = refusedBox.querySelector('figure');
    figure.hidden = true;
    figure.replaceChildren();
    const edge = SETTLED_BY_HAND[problem.code];
    const refused = (await list(where)).filter((i) => i.state === 'refused');
    const item = refused.find((i) => i.name === problem.photo) ?? (refused.length === 1 && !problem.photo ? refused[0] : undefined);
    if (!edge || !item) return;
    const n = problem.image?.findIndex((one) => one.file === problem.photo) ?? -1;
    // what this browser cannot show the service shows
    const picture = await decoded(URL.createObjectURL(item.blob)).catch((e) => { if (!problem.address) throw e; return decoded(`${problem.address}/photo/${Math.max(n, 0) + 1}?shown`); });
    const im = problem.image?.[n] ?? { width_px: picture.naturalWidth, height_px: picture.naturalHeight };
    const view = new Stage(im.width_px, im.height_px, picture.src);
    view.svg.setAttribute('aria-label', item.name);
    showLines(view, im);
    nudgeBy(view, im.mm_per_px);
    const hand = make('div', { class: 'hand' });
    figure.append(view.element, view.tools(), make('figcaption', {}, text(im.rival_px ? 'hand.rival' : 'hand.none')), hand);
    figure.hidden = false;
    view.draw();
    correction(view, hand, im, edge, async (hints) => {
      await set(item.id, { state: 'sent', hints });
      await go();
    }).show();
  }

  function decoded(src) {
    return new Promise((resolve, reject) => {
      const picture = new Image();
      picture.addEventListener('load', () => resolve(picture), { once: true });
      picture.addEventListener('error', reject, { once: true });
      picture.src = src;
    });
  }

  async function take(input) {
    const form = Object.fromEntries(new FormData(document.getElementById('order')));
    const order = { card_set: form.card_set ?? '', print_scale: form.print_scale ?? '', trim: form.trim ?? '', fresh: form.fresh === 'on' };
    const files = [...input.files];
    let twice = false;
    for (const file of files) twice = !await add(file, where, order, page.dataset.named) || twice;
    input.value = '';
    go(twice ? text('photo.twice') : '');
  }
  for (const input of [camera, document.getElementById('files')]) input.addEventListener('change', () => take(input));
  const fresh = document.getElementById('fresh');
  if (fresh && location.hash === '#fresh') fresh.checked = true; // sent here to show what was cut anew
  go();
}
