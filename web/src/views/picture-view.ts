// A picture with what is measured by hand on it: shown whole, brought nearer by wheel or two fingers. What it shows, and
// what a drag does, is for those that build on it.
import { addMeasure, app, changed, say } from '../store';
import { num } from '../words';
import { filmScale } from '../png';
import { follow } from './drag';
import { putLabels, type Label } from './labels';
import { phrase } from '../phrases';

/** Points in pixels of the picture as it is shown. */
interface HandMeasure {
  kind: 'distance' | 'angle';
  points: [number, number][];
}

export abstract class PictureView {
  readonly element = document.createElement('div');
  protected readonly image = document.createElement('img');
  /** Of a pixel of the picture; null where nothing tells it. */
  protected mmPerPixel: number | null = null;
  private readonly svg = document.createElementNS('http://www.w3.org/2000/svg', 'svg');
  private readonly words = document.createElement('div');
  private points: [number, number][] = [];
  private dragging = false;
  private url = '';
  private near = 1;
  private shift: [number, number] = [0, 0]; // of the picture's middle, in pixels of the view

  constructor(test: string, className: string, label: string) {
    this.element.className = `view ${className}`;
    this.element.tabIndex = 0;
    this.element.setAttribute('role', 'application');
    this.element.setAttribute('aria-label', label);
    this.element.dataset['test'] = test;
    this.image.alt = '';
    this.image.draggable = false;
    this.svg.setAttribute('class', 'overlay');
    this.svg.setAttribute('aria-hidden', 'true');
    this.words.className = 'labels';
    this.element.append(this.image, this.svg, this.words);
    this.image.onload = () => this.overlay();
    new ResizeObserver(() => this.overlay()).observe(this.element);
    follow(this.element, {
      start: () => {
        this.dragging = app.tool === 'look' || app.tool === 'place';
      },
      move: (dx, dy) => {
        if (this.dragging) this.drag(dx, dy);
      },
      end: (x, y, moved) => {
        if (!moved) this.click(x, y);
        else changed();
      },
      pinch: (factor, dx, dy, x, y) => {
        this.shift = [this.shift[0] + dx, this.shift[1] + dy];
        this.zoom(factor, x, y);
      },
      wheel: (steps, _event, x, y) => this.zoom(Math.pow(1.15, -steps), x, y),
    });
    this.element.addEventListener('keydown', (e) => {
      if (e.key === 'Escape') {
        this.points = [];
        app.tool = 'look';
        changed();
      }
      if (e.target !== this.element) return;
      const nearer = { '+': 1.25, '-': 0.8 }[e.key];
      if (nearer) this.zoom(nearer, this.element.clientWidth / 2, this.element.clientHeight / 2);
      else if (!this.key(e.key)) return;
      e.preventDefault();
      e.stopPropagation();
    });
  }

  /** Of the picture, in measures kept. */
  protected abstract name(): string;
  /** Other names that measures of this picture may stand under. */
  protected aliases(): string[] {
    return [];
  }
  protected abstract footState(): 'injured' | 'reduced';
  protected abstract labels(): Label[];
  /** Where its lengths hold, as said after a measure. */
  protected abstract plane(): string;
  protected drag(dx: number, dy: number): void {
    this.pan(dx, dy);
  }
  /** True: the key was for this view. */
  protected key(_key: string): boolean {
    return false;
  }

  /** Puts a picture in the place of the one before, with the size it tells. `shown`: for tests, what is seen. */
  protected async put(blob: Blob, alt: string, shown: string): Promise<void> {
    this.mmPerPixel = await filmScale(blob);
    const before = this.url;
    this.url = URL.createObjectURL(blob);
    this.image.src = this.url;
    this.image.alt = alt;
    this.element.dataset['shown'] = shown;
    if (before) URL.revokeObjectURL(before);
  }

  protected pan(dx: number, dy: number): void {
    this.shift = [this.shift[0] + dx, this.shift[1] + dy];
    this.overlay();
  }
  protected whole(): void {
    this.near = 1;
    this.shift = [0, 0];
    this.points = [];
  }
  private zoom(factor: number, x: number, y: number): void {
    const before = this.near;
    this.near = Math.max(1, Math.min(12, this.near * factor));
    // What lies under the pointer stays there.
    const k = this.near / before;
    const c: [number, number] = [this.element.clientWidth / 2, this.element.clientHeight / 2];
    this.shift = this.near === 1 ? [0, 0] : [(x - c[0]) * (1 - k) + this.shift[0] * k, (y - c[1]) * (1 - k) + this.shift[1] * k];
    this.overlay();
  }

  /** The picture's place in the element. */
  private frame(): { x: number; y: number; k: number } {
    const w = this.element.clientWidth;
    const h = this.element.clientHeight;
    const iw = this.image.naturalWidth || 1;
    const ih = this.image.naturalHeight || 1;
    const k = Math.min(w / iw, h / ih) * this.near;
    return { x: (w - iw * k) / 2 + this.shift[0], y: (h - ih * k) / 2 + this.shift[1], k };
  }

  private click(x: number, y: number): void {
    if (app.tool !== 'distance' && app.tool !== 'angle') return;
    const f = this.frame();
    this.points.push([(x - f.x) / f.k, (y - f.y) / f.k]);
    if (!this.mmPerPixel && app.tool === 'distance') {
      this.points = [];
      say(phrase('page.film_tells_no_size_no_length'));
    } else if (this.points.length === (app.tool === 'distance' ? 2 : 3)) {
      const m: HandMeasure = { kind: app.tool, points: this.points };
      const k = this.mmPerPixel ?? 1;
      // Kept in mm from the picture's corner: the same whatever the picture's size.
      addMeasure({ view: this.name(), kind: m.kind, points: m.points.map(([px, py]) => [px * k, py * k, 0]), state: this.footState() });
      this.points = [];
      say(m.kind === 'angle' ? this.textOf(m) : `${this.textOf(m)}, ${this.plane()}`);
    }
    this.overlay();
  }
  private textOf(m: HandMeasure): string {
    const [a, b, c] = m.points;
    if (m.kind === 'angle' && a && b && c) {
      const u = Math.atan2(a[1] - b[1], a[0] - b[0]);
      const v = Math.atan2(c[1] - b[1], c[0] - b[0]);
      let d = Math.abs(u - v);
      if (d > Math.PI) d = 2 * Math.PI - d;
      return `${num((d * 180) / Math.PI)}°`;
    }
    const px = a && b ? Math.hypot(a[0] - b[0], a[1] - b[1]) : 0;
    return `${num(px * (this.mmPerPixel ?? 0))} mm`;
  }

  protected overlay(): void {
    const w = this.element.clientWidth;
    const h = this.element.clientHeight;
    this.svg.setAttribute('viewBox', `0 0 ${w} ${h}`);
    const f = this.frame();
    this.image.style.left = `${f.x}px`;
    this.image.style.top = `${f.y}px`;
    this.image.style.width = `${this.image.naturalWidth * f.k}px`;
    this.image.style.height = `${this.image.naturalHeight * f.k}px`;
    const out: string[] = [];
    const labels: Label[] = [];
    const at = (p: [number, number]): [number, number] => [f.x + p[0] * f.k, f.y + p[1] * f.k];
    const all: HandMeasure[] = [];
    const scale = this.mmPerPixel ?? 1;
    const names = [this.name(), ...this.aliases()];
    for (const m of app.state?.measures_drawn ?? [])
      if (names.includes(m.view)) all.push({ kind: m.kind, points: m.points.map((q) => [q[0] / scale, q[1] / scale]) });
    if (this.points.length) all.push({ kind: 'distance', points: this.points });
    for (const m of all) {
      const ps = m.points.map(at);
      const d = ps.map((p, i) => `${i ? 'L' : 'M'}${p[0]} ${p[1]}`).join('');
      out.push(`<path class="halo" d="${d}"/><path class="hand" d="${d}"/>`);
      for (const p of ps) out.push(`<circle class="hand" cx="${p[0]}" cy="${p[1]}" r="3"/>`);
      if (ps.length > 1) {
        const p = m.kind === 'angle' ? ps[1]! : [(ps[0]![0] + ps[1]![0]) / 2, (ps[0]![1] + ps[1]![1]) / 2];
        labels.push({ cls: 'measure', text: this.textOf(m), x: p[0]!, y: p[1]! });
      }
    }
    this.svg.innerHTML = out.join('');
    putLabels(this.words, [...labels, ...this.labels()]);
  }
}
