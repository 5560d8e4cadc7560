// A person's hand on a photo: two points of an edge are set near the right place, and
// measuring again snaps to the edge there.
import { make, text } from './texts.js';

const EDGES = { left: 'left_edge_px', right: 'right_edge_px', cut: 'cut_px', line: 'drawn_px' };
const APART = 10; // px: closer points give no direction, and are refused

// show draws what was found, and what else could be meant.
export function show(stage, im) {
  stage.line('centre', im.centreline_px);
  stage.line('left', im.left_edge_px);
  stage.line('right', im.right_edge_px);
  stage.line('cut', im.cut_px);
  stage.line('drawn', im.drawn_px);
  stage.line('recut', im.recut_px);
  stage.line('rival', im.rival_px);
}

// Two points of each edge: on what was found, else where such an edge usually is.
function pointsOf(im, chosen) {
  const at = (x, y) => ({ x: im.width_px * x, y: im.height_px * y });
  const usual = { left: [at(0.25, 0.65), at(0.25, 0.3)], right: [at(0.75, 0.65), at(0.75, 0.3)], cut: [at(0.3, 0.7), at(0.7, 0.7)], line: [at(0.3, 0.6), at(0.7, 0.6)] };
  const ends = {};
  for (const [edge, field] of Object.entries(EDGES)) {
    const p = im[field];
    if (p?.length >= 2) ends[edge] = two(p);
    else if (edge !== 'line' || chosen === 'line') ends[edge] = usual[edge];
  }
  return ends;
}

// nudgeBy sets what one nudge is: half a millimetre, or a pixel where no scale is known.
export function nudgeBy(stage, mmPerPx) {
  stage.nudgePx = mmPerPx > 0 ? 0.5 / mmPerPx : undefined;
}

const AT = [0.12, 0.88]; // where along a line its two points are
const two = (px) => AT.map((f) => { const q = px[Math.round(f * (px.length - 1))]; return { x: q[0], y: q[1] }; });

// What could be meant, as the two points of each line; the rival of an outline is drawn round
// the belt end in five equal parts: left edge, corner, cut, corner, right edge.
function meanings(im) {
  const rival = im.rival_px;
  if (!rival) return {};
  if (im.drawn_px) return { full: { line: two(im.drawn_px) }, dashed: { line: two(rival) } };
  const n = (rival.length - 1) / 5;
  if (!Number.isInteger(n) || !im.cut_px) return {};
  const part = (k) => two(rival.slice(k * n, (k + 1) * n + 1));
  return { full: { left: two(im.left_edge_px), right: two(im.right_edge_px), cut: two(im.cut_px) }, dashed: { left: part(0), right: part(4), cut: part(2) } };
}

let groups = 0;

// correction fills a box with the means to move the points. measure(hints, onStep) measures
// again with those that were moved; it gives a refusal, or nothing when it is done.
export function correction(stage, box, im, first, measure) {
  const ends = pointsOf(im, first);
  const changed = new Set();
  const before = []; // for undo: {edge, k, point, first}
  const group = `edge${groups++}`;
  let edge = first;
  const name = (e) => text('hand.' + e);
  const nudge = text(stage.nudgePx ? 'hand.nudge' : 'hand.nudge_px');
  const undo = make('button', { type: 'button', class: 'second', disabled: true }, text('hand.undo'));
  const again = make('button', { type: 'button', disabled: true }, text('hand.again'));
  const bar = make('progress', { max: 1, value: 0, hidden: true, 'aria-label': text('photo.progress') });
  const said = make('p', { role: 'status' });
  const guide = make('svg:path', { class: 'line guide' });

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
    guide.setAttribute('d', `M${a.x} ${a.y}L${b.x} ${b.y}`);
    guide.setAttribute('stroke-width', 2 * stage.scale);
    guide.setAttribute('stroke-dasharray', `${8 * stage.scale} ${6 * stage.scale}`);
  }
  function settle() {
    undo.disabled = before.length === 0;
    again.disabled = changed.size === 0;
  }
  undo.addEventListener('click', () => {
    const last = before.pop();
    ends[last.edge][last.k] = last.point;
    if (last.first) changed.delete(last.edge);
    edge = last.edge;
    for (const radio of box.querySelectorAll('input[type=radio]')) radio.checked = radio.value === edge;
    said.textContent = '';
    settle();
    show();
  });
  again.addEventListener('click', () => {
    const near = [...changed].find((e) => Math.hypot(ends[e][0].x - ends[e][1].x, ends[e][0].y - ends[e][1].y) < APART);
    if (near) {
      said.textContent = text('hand.apart', name(near));
      return;
    }
    send([...changed].map((e) => [e, ends[e]]));
  });
  async function send(lines) {
    again.disabled = undo.disabled = true;
    for (const button of chosen) button.disabled = true;
    bar.hidden = false;
    said.textContent = text('photo.step_start');
    try {
      const hints = lines.map(([e, points]) => ({ edge: e, px: points.map((p) => [p.x, p.y]) }));
      const refused = await measure(hints, ({ step, done }) => { bar.value = done; said.textContent = text('photo.step_' + step); });
      if (!refused) return;
      said.textContent = `${refused.detail} ${refused.advice}`;
    } catch (e) {
      said.textContent = text('photo.failed', e.message);
    }
    bar.hidden = true;
    for (const button of chosen) button.disabled = false;
    settle();
  }

  const radios = Object.keys(ends).map((e) => make('label', {},
    make('input', { type: 'radio', name: group, value: e, checked: e === edge, onchange: () => { edge = e; show(); } }), make('span', {}, name(e))));
  const arrow = (key, sign, by) => make('button', { type: 'button', class: 'second', 'aria-label': `${nudge} ${text(key)}`, onclick: () => (stage.chosen ?? stage.handles[0]).nudge(by) }, sign);
  const chosen = Object.entries(meanings(im)).map(([key, lines]) => make('button', { type: 'button', class: 'second', onclick: () => send(Object.entries(lines)) }, text('hand.' + key)));
  if (chosen.length > 0) box.append(make('h3', {}, text('hand.choose')), make('div', { class: 'tools' }, ...chosen));
  box.append(
    make('h3', {}, text('hand.title')), make('p', { class: 'soft' }, text('hand.hint')),
    make('fieldset', { class: 'choice' }, make('legend', {}, text('hand.which')), ...radios),
    make('fieldset', { class: 'choice' }, make('legend', {}, nudge), make('div', { class: 'nudge' },
      arrow('hand.to_left', '←', [-1, 0]), arrow('hand.up', '↑', [0, -1]), arrow('hand.down', '↓', [0, 1]), arrow('hand.to_right', '→', [1, 0]))),
    make('div', { class: 'actions' }, undo, again), bar, said);
  stage.ondraw = draw;
  return { show };
}
