// A picture with lines and handles in an SVG whose units are the picture's pixels: pinch, wheel
// and buttons zoom, a drag on the ground moves, a drag on a handle moves it under a magnifier.
import { make, text } from './texts.js';

const TOUCH = 46; // px on the screen, 12 mm
const drag = { x: 0, y: 0 };

export class Stage {
  constructor(width, height, href) {
    this.size = { width, height };
    this.box = { x: 0, y: 0, w: width, h: height };
    this.id = 'scene' + Math.random().toString(36).slice(2);
    this.image = make('svg:image', { href, width, height, preserveAspectRatio: 'none' });
    this.lines = make('svg:g', { transform: 'translate(.5 .5)' });
    this.marks = make('svg:g', { transform: 'translate(.5 .5)' });
    this.lens = make('svg:g');
    this.svg = make('svg:svg', { class: 'view', role: 'group', preserveAspectRatio: 'xMidYMid meet' },
      make('svg:g', { id: this.id }, this.image, this.lines), this.marks, this.lens);
    this.element = make('div', { class: 'stage' }, this.svg);
    this.handles = [];
    this.pointers = new Map();
    for (const name of ['pointerdown', 'pointermove', 'pointerup', 'pointercancel']) this.svg.addEventListener(name, (e) => this[name](e));
    this.svg.addEventListener('wheel', (e) => {
      if (!e.ctrlKey && !this.zoomed) return; // the page scrolls
      e.preventDefault();
      this.zoom(Math.exp(e.deltaY * 0.002), this.at(e));
    }, { passive: false });
    // two fingers enlarge, wherever their middle wanders; one scrolls the page unless it holds
    // a handle: touch-action says nothing on a group inside a drawing
    this.svg.addEventListener('touchmove', (e) => { if ((this.held || e.touches.length > 1) && e.cancelable) e.preventDefault(); }, { passive: false });
    this.resize = new ResizeObserver(() => this.draw());
    this.resize.observe(this.element);
  }

  get zoomed() { return this.box.w < this.size.width * 0.999; }

  // px per px on the screen
  get scale() {
    const r = this.svg.getBoundingClientRect();
    return r.width ? Math.max(this.box.w / r.width, this.box.h / r.height) : 1;
  }

  at(e) {
    const p = new DOMPoint(e.clientX, e.clientY).matrixTransform(this.svg.getScreenCTM().inverse());
    return { x: p.x - 0.5, y: p.y - 0.5 };
  }

  draw() {
    const { x, y, w, h } = this.box;
    this.svg.setAttribute('viewBox', `${x} ${y} ${w} ${h}`);
    this.element.style.setProperty('aspect-ratio', `${this.size.width} / ${this.size.height}`);
    const s = this.scale;
    for (const handle of this.handles) handle.draw(s);
    for (const line of this.lines.querySelectorAll('.line, .under')) line.setAttribute('stroke-width', (line.classList.contains('under') ? 6 : 2.6) * s);
    for (const letter of this.lines.querySelectorAll('.letter')) { letter.setAttribute('font-size', 20 * s); letter.setAttribute('stroke-width', 5 * s); }
    this.ondraw?.(s);
  }

  zoom(factor, about = { x: this.box.x + this.box.w / 2, y: this.box.y + this.box.h / 2 }) {
    const w = Math.min(this.size.width, Math.max(this.size.width / 40, this.box.w * factor));
    const f = w / this.box.w;
    this.move({ x: about.x - (about.x - this.box.x) * f, y: about.y - (about.y - this.box.y) * f, w, h: (w * this.size.height) / this.size.width });
  }

  move(box) {
    box.x = Math.max(0, Math.min(box.x, this.size.width - box.w));
    box.y = Math.max(0, Math.min(box.y, this.size.height - box.h));
    this.box = box;
    // A finger scrolls the page while the whole picture is seen.
    this.element.style.setProperty('touch-action', this.zoomed ? 'none' : 'pan-y');
    this.draw();
  }

  line(name, points) {
    if (!points || points.length < 2) return;
    const d = 'M' + points.map((p) => p.join(' ')).join('L');
    this.lines.append(make('svg:path', { class: 'under', d }), make('svg:path', { class: 'line ' + name, d }));
  }

  letter(name, p, anchor) {
    if (p) this.lines.append(make('svg:text', { class: 'letter', x: p[0], y: p[1], dy: '-.8em', 'text-anchor': anchor }, name));
  }

  // handle adds a point that can be moved; changed(point, last) is told.
  handle(label, point, changed) {
    const h = new Handle(this, label, point, changed);
    this.handles.push(h);
    this.marks.append(h.element);
    h.draw(this.scale);
    return h;
  }

  clear() {
    this.handles = [];
    this.marks.replaceChildren();
  }

  choose(handle) {
    this.chosen = handle;
    for (const h of this.handles) h.element.classList.toggle('chosen', h === handle);
  }

  pointerdown(e) {
    this.svg.setPointerCapture(e.pointerId);
    this.pointers.set(e.pointerId, { x: e.clientX, y: e.clientY });
    const element = e.target.closest?.('.handle');
    const p = this.at(e);
    if (element && this.pointers.size === 1) {
      this.held = this.handles.find((h) => h.element === element);
      this.choose(this.held);
      this.held.element.focus({ preventScroll: true });
      this.held.start = { ...this.held.point };
      drag.x = this.held.point.x - p.x;
      drag.y = this.held.point.y - p.y;
      this.magnify(this.held.point, e);
      e.preventDefault();
    } else if (this.pointers.size === 1) {
      this.tapped = { ...p, moved: false };
    } else {
      this.tapped = undefined;
    }
  }

  pointermove(e) {
    const before = this.pointers.get(e.pointerId);
    if (!before) return;
    const now = { x: e.clientX, y: e.clientY };
    if (this.held) {
      const p = this.at(e);
      this.held.set({ x: p.x + drag.x, y: p.y + drag.y }, false);
      this.magnify(this.held.point, e);
    } else if (this.pointers.size === 2) {
      const other = [...this.pointers].find(([id]) => id !== e.pointerId)[1];
      const far = (a) => Math.hypot(a.x - other.x, a.y - other.y);
      this.zoom(far(before) / Math.max(1, far(now)), this.at({ clientX: (before.x + other.x) / 2, clientY: (before.y + other.y) / 2 }));
      const s = this.scale / 2; // the place between the fingers goes half as far as the one that moves
      this.move({ ...this.box, x: this.box.x - (now.x - before.x) * s, y: this.box.y - (now.y - before.y) * s });
    } else {
      if (Math.hypot(now.x - before.x, now.y - before.y) > 3 && this.tapped) this.tapped.moved = true;
      if (this.zoomed) {
        const s = this.scale;
        this.move({ ...this.box, x: this.box.x - (now.x - before.x) * s, y: this.box.y - (now.y - before.y) * s });
      }
    }
    this.pointers.set(e.pointerId, now);
  }

  pointerup(e) {
    this.pointers.delete(e.pointerId);
    if (this.held) {
      const { start, point } = this.held;
      if (start.x !== point.x || start.y !== point.y) this.held.set(point, true);
      this.held = undefined;
      this.lens.replaceChildren();
    } else if (this.tapped && !this.tapped.moved) {
      this.ontap?.(this.tapped);
    }
    this.tapped = undefined;
  }

  pointercancel(e) {
    this.pointers.delete(e.pointerId);
    this.held = this.tapped = undefined;
    this.lens.replaceChildren();
  }

  // magnify shows the point enlarged in the corner opposite to the finger.
  magnify(point, e) {
    const r = this.svg.getBoundingClientRect();
    const s = this.scale;
    const side = Math.min(170, r.width * 0.42, r.height * 0.46) * s;
    const left = e.clientX > r.left + r.width / 2;
    const top = e.clientY > r.top + r.height / 2;
    const x = left ? this.box.x + 6 * s : this.box.x + this.box.w - side - 6 * s;
    const y = top ? this.box.y + 6 * s : this.box.y + this.box.h - side - 6 * s;
    const seen = Math.max(24, side / 6); // six times, not beyond what the pixels hold
    const c = { x: point.x + 0.5, y: point.y + 0.5 };
    this.lens.replaceChildren(
      make('svg:rect', { class: 'lens-frame', x: x - 2 * s, y: y - 2 * s, width: side + 4 * s, height: side + 4 * s, rx: 4 * s, 'stroke-width': 2 * s }),
      make('svg:svg', { x, y, width: side, height: side, viewBox: `${c.x - seen / 2} ${c.y - seen / 2} ${seen} ${seen}` },
        make('svg:use', { href: '#' + this.id }),
        make('svg:path', { class: 'cross', d: `M${c.x - seen / 2} ${c.y}H${c.x - seen / 12}M${c.x + seen / 12} ${c.y}H${c.x + seen / 2}M${c.x} ${c.y - seen / 2}V${c.y - seen / 12}M${c.x} ${c.y + seen / 12}V${c.y + seen / 2}`, 'stroke-width': seen / 90 })));
  }

  // tools are the buttons beneath.
  tools(...more) {
    const button = (key, what) => make('button', { type: 'button', class: 'second', onclick: what }, text(key));
    return make('div', { class: 'tools noprint' },
      button('answer.zoom_in', () => this.zoom(0.6)), button('answer.zoom_out', () => this.zoom(1 / 0.6)),
      button('answer.zoom_all', () => this.move({ x: 0, y: 0, w: this.size.width, h: this.size.height })), ...more);
  }
}

class Handle {
  constructor(stage, label, point, changed) {
    Object.assign(this, { stage, point: { ...point }, changed });
    this.element = make('svg:g', { class: 'handle', tabindex: 0, role: 'slider', 'aria-label': label, 'aria-valuenow': 0 },
      make('svg:circle', { class: 'hit' }), make('svg:circle', { class: 'ring' }), make('svg:circle', { class: 'dot' }));
    this.element.addEventListener('focus', () => stage.choose(this));
    this.element.addEventListener('keydown', (e) => {
      const by = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
      if (!by) return;
      e.preventDefault();
      this.nudge(by, e.shiftKey ? 10 : 1);
    });
  }

  nudge(by, times = 1) {
    const px = (this.stage.nudgePx ?? 1) * times;
    this.start = { ...this.point };
    this.set({ x: this.point.x + by[0] * px, y: this.point.y + by[1] * px }, true);
  }

  set(p, last) {
    this.point = { x: Math.min(Math.max(p.x, 0), this.stage.size.width - 1), y: Math.min(Math.max(p.y, 0), this.stage.size.height - 1) };
    this.draw(this.stage.scale);
    this.changed?.(this, last);
  }

  draw(s) {
    this.element.setAttribute('transform', `translate(${this.point.x} ${this.point.y})`);
    this.element.setAttribute('aria-valuetext', `${this.point.x.toFixed(1)}, ${this.point.y.toFixed(1)}`);
    this.element.setAttribute('aria-valuenow', this.point.x.toFixed(0));
    const [hit, ring, dot] = this.element.children;
    hit.setAttribute('r', (TOUCH / 2) * s);
    ring.setAttribute('r', 15 * s);
    ring.setAttribute('stroke-width', 3 * s);
    dot.setAttribute('r', 2.2 * s);
  }
}
