// The answer's page: the photo with what was found, to zoom and to put right by hand, and a
// measuring rule on the view from above.
import { Stage } from './stage.js';
import { ask } from './stream.js';
import { make, text } from './texts.js';

const EDGES = { left: 'left_edge_px', right: 'right_edge_px', cut: 'cut_px', line: 'drawn_px' };

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
  const stage = new Stage(im.width_px, im.height_px, figure.dataset.original, () => {
    // a photo that this browser cannot show: the drawn picture has the same view
    stage.image.setAttribute('href', plain?.getAttribute('href') ?? '');
  });
  stage.svg.setAttribute('aria-label', alt);
  stage.line('centre', im.centreline_px);
  stage.line('left', im.left_edge_px);
  stage.line('right', im.right_edge_px);
  stage.line('cut', im.cut_px);
  stage.line('drawn', im.drawn_px);
  stage.line('recut', im.recut_px);
  const { left, right } = figure.dataset;
  stage.letter(left ? `L ${left}` : 'L', im.left_corner_px, 'start');
  stage.letter(right ? `${right} R` : 'R', im.right_corner_px, 'end');
  stage.nudgePx = 0.5 / (m.photos[i].mm_per_px || 1);
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
    correct ??= correction(stage, hand, id, m, i);
    if (hand.hidden) stage.clear(); else correct.show();
  });
}

// correction lets two points of an edge be moved; measuring again snaps to the edge near them.
function correction(stage, box, id, m, i) {
  const im = m.image[i];
  const ends = {}; // two points of each edge
  for (const [edge, field] of Object.entries(EDGES)) {
    const p = im[field];
    const mid = (a) => ({ x: im.width_px * a, y: im.height_px * 0.7 });
    if (p?.length >= 2) ends[edge] = [0.12, 0.88].map((f) => { const q = p[Math.round(f * (p.length - 1))]; return { x: q[0], y: q[1] }; });
    else if (edge === 'line') continue;
    else ends[edge] = [mid(0.3), mid(0.7)];
  }
  const changed = new Set();
  const before = []; // for undo: {edge, k, point}
  let edge = 'cut';
  const name = (e) => text('hand.' + e);
  const undo = make('button', { type: 'button', class: 'second', disabled: true }, text('hand.undo'));
  const again = make('button', { type: 'button', disabled: true }, text('hand.again'));
  const bar = make('progress', { max: 1, value: 0, hidden: true, 'aria-label': text('photo.progress') });
  const said = make('p', { role: 'status' });
  const guide = make('svg:path', { class: 'line recut', 'stroke-dasharray': 'none' });

  function show() {
    stage.clear();
    stage.marks.append(guide);
    ends[edge].forEach((point, k) => stage.handle(text('hand.handle', name(edge), k + 1), point, (h, last) => {
      if (last) {
        before.push({ edge, k, point: h.start, first: !changed.has(edge) });
        changed.add(edge);
        undo.disabled = again.disabled = false;
      }
      ends[edge][k] = { ...h.point };
      draw();
    }));
    stage.choose(stage.handles[0]);
    draw();
  }
  function draw() {
    const [a, b] = ends[edge];
    guide.setAttribute('d', changed.has(edge) ? `M${a.x} ${a.y}L${b.x} ${b.y}` : '');
    guide.setAttribute('stroke-width', 2 * stage.scale);
  }
  undo.addEventListener('click', () => {
    const last = before.pop();
    ends[last.edge][last.k] = last.point;
    if (last.first) changed.delete(last.edge);
    edge = last.edge;
    for (const radio of box.querySelectorAll('input[type=radio]')) radio.checked = radio.value === edge;
    undo.disabled = before.length === 0;
    again.disabled = changed.size === 0;
    show();
  });
  again.addEventListener('click', async () => {
    again.disabled = undo.disabled = true;
    bar.hidden = false;
    said.textContent = text('photo.step_start');
    try {
      const hints = [...changed].map((e) => ({ photo: i, edge: e, px: ends[e].map((p) => [p.x, p.y]) }));
      const { done, refused } = await ask(`/m/${id}/again`, { hints }, ({ step, done }) => { bar.value = done; said.textContent = text('photo.step_' + step); });
      if (done) { location.assign(done.address); return; }
      said.textContent = `${refused.detail} ${refused.advice}`;
    } catch (e) {
      said.textContent = text('photo.failed', e.message);
    }
    bar.hidden = true;
    again.disabled = false;
    undo.disabled = before.length === 0;
  });

  const radios = Object.keys(ends).map((e) => make('label', {},
    make('input', { type: 'radio', name: `edge${i}`, value: e, checked: e === edge, onchange: () => { edge = e; show(); } }), make('span', {}, name(e))));
  const arrow = (key, sign, by) => make('button', { type: 'button', class: 'second', 'aria-label': `${text('hand.nudge')} ${text(key)}`, onclick: () => (stage.chosen ?? stage.handles[0]).nudge(by) }, sign);
  box.append(
    make('h3', {}, text('hand.title')), make('p', { class: 'soft' }, text('hand.hint')),
    make('fieldset', { class: 'choice' }, make('legend', {}, text('hand.which')), ...radios),
    make('fieldset', { class: 'choice' }, make('legend', {}, text('hand.nudge')), make('div', { class: 'nudge' },
      arrow('hand.to_left', '←', [-1, 0]), arrow('hand.up', '↑', [0, -1]), arrow('hand.down', '↓', [0, 1]), arrow('hand.to_right', '→', [1, 0]))),
    make('div', { class: 'actions' }, undo, again), bar, said);
  stage.ondraw = draw;
  return { show };
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
  const inches = document.querySelector('.choices a[href="?units=mm"]') !== null;
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
