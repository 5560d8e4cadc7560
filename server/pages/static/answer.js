// The answer's page: the photo with what was found, to zoom and to put right by hand, and a
// measuring rule on the view from above.
import { correction, nudgeBy, show } from './hand.js';
import { Stage } from './stage.js';
import { ask } from './stream.js';
import { make, text } from './texts.js';

const figures = [...document.querySelectorAll('figure.photo')];
if (figures.length > 0) {
  const id = figures[0].dataset.measurement;
  fetch(`/api/v1/measurements/${id}`, { headers: { Accept: 'application/json' } }).then(async (answer) => {
    if (!answer.ok) return;
    const m = await answer.json();
    figures.forEach((figure, i) => { if (m.image?.[i]) photo(figure, id, m, i); });
  }).catch(() => {}); // the drawn pictures stay
}

function photo(figure, id, m, i) {
  const im = m.image[i];
  const plain = figure.querySelector('.plain');
  const alt = plain?.querySelector('img').alt ?? '';
  const stage = new Stage(im.width_px, im.height_px, figure.dataset.original);
  stage.svg.setAttribute('aria-label', alt);
  const { left, right } = figure.dataset; // none where nothing has to be cut off
  show(stage, left ? im : { ...im, recut_px: undefined });
  stage.letter(left ? `L ${left}` : 'L', im.left_corner_px, 'start');
  stage.letter(right ? `${right} R` : 'R', im.right_corner_px, 'end');
  nudgeBy(stage, m.photos?.[i]?.mm_per_px ?? im.mm_per_px);
  const hand = make('div', { class: 'hand', hidden: true });
  const open = make('button', { type: 'button', class: 'second', 'aria-expanded': 'false' }, text('hand.open'));
  const lines = make('button', { type: 'button', class: 'second', 'aria-pressed': 'true', onclick: () => {
    const shown = lines.getAttribute('aria-pressed') !== 'true';
    lines.setAttribute('aria-pressed', String(shown));
    stage.lines.toggleAttribute('hidden', !shown);
    stage.lines.setAttribute('display', shown ? 'inline' : 'none');
  } }, text('answer.lines'));
  const tools = stage.tools(lines, open);
  plain?.replaceWith(stage.element);
  figure.querySelector('figcaption').before(tools, hand);
  stage.draw();

  let correct;
  open.addEventListener('click', () => {
    hand.hidden = !hand.hidden;
    open.setAttribute('aria-expanded', String(!hand.hidden));
    open.textContent = text(hand.hidden ? 'hand.open' : 'hand.close');
    correct ??= correction(stage, hand, im, m.line === 'drawn' ? 'line' : 'cut', async (hints, onStep) => {
      const { done, refused } = await ask(`/m/${id}/again`, { hints: hints.map((h) => ({ ...h, photo: i })) }, onStep);
      if (done) location.assign(done.address);
      return refused;
    });
    if (hand.hidden) stage.clear(); else correct.show();
  });
}

// The measuring rule on the view from above.
const above = document.querySelector('figure.above[data-scale]');
if (above) {
  const link = above.querySelector('.plain');
  const open = make('button', { type: 'button', class: 'second' }, text('answer.rule'));
  const tools = make('div', { class: 'tools noprint' }, open);
  above.querySelector('figcaption').before(tools);
  open.addEventListener('click', () => {
    const img = new Image();
    img.addEventListener('load', () => {
      tools.remove();
      rule(above, link, img);
    }, { once: true });
    img.src = above.dataset.picture;
  }, { once: true });
}

function rule(figure, link, img) {
  const scale = Number(figure.dataset.scale);
  const stage = new Stage(img.naturalWidth, img.naturalHeight, img.src);
  stage.svg.setAttribute('aria-label', link.querySelector('img').alt);
  stage.nudgePx = 0.5 * scale;
  const ruler = make('svg:path', { class: 'ruler' });
  stage.marks.append(ruler);
  const reading = make('p', { class: 'reading', role: 'status' });
  const inches = document.documentElement.dataset.units === 'in';
  const points = [];
  const comma = (t) => (document.documentElement.lang === 'de' ? t.replaceAll('.', ',') : t);
  function draw(s = stage.scale) {
    const [a, b] = points.map((h) => h.point);
    ruler.setAttribute('d', `M${a.x} ${a.y}L${b.x} ${b.y}`);
    ruler.setAttribute('stroke-width', 2.5 * s);
    const mm = Math.hypot(a.x - b.x, a.y - b.y) / scale;
    const u = Math.hypot(mm * Number(figure.dataset.scaleU), Number(figure.dataset.pointU));
    reading.textContent = comma(inches
      ? `${(mm / 25.4).toFixed(2)} ± ${(Math.ceil(u / 25.4 * 100) / 100).toFixed(2)} in`
      : `${mm.toFixed(1)} ± ${(Math.ceil(u * 10) / 10).toFixed(1)} mm`);
  }
  for (const [k, f] of [0.3, 0.7].entries()) points.push(stage.handle(text('answer.rule_point', k + 1), { x: img.naturalWidth * f, y: img.naturalHeight * 0.6 }, () => draw()));
  let next = 0;
  stage.ontap = (p) => { points[next].set(p, true); stage.choose(points[next]); next = 1 - next; };
  stage.ondraw = draw;
  link.replaceWith(stage.element);
  figure.querySelector('figcaption').before(stage.tools(), make('p', { class: 'hand soft' }, text('answer.rule_hint')), reading);
  stage.draw();
}
