// What the C-arm will show: a simulated film for any place of the tube, changed while dragging.
import { api } from '../api';
import { filmScale } from '../png';
import { addMeasure, app, changed, say, shapeKey, told } from '../store';
import { num } from '../words';
import { follow } from './drag';
import { putLabels, type Label } from './labels';

export type Show = 'injured' | 'reduced' | 'metal';
export const kNamedViews: { word: string; name: string; orbital: number; tilt: number }[] = [
  { word: 'dorsoplantar-10', name: 'Dorsoplantar 10°', orbital: 0, tilt: 10 },
  { word: 'dorsoplantar-15', name: 'Dorsoplantar 15°', orbital: 0, tilt: 15 },
  { word: 'dorsoplantar-20', name: 'Dorsoplantar 20°', orbital: 0, tilt: 20 },
  { word: 'oblique-30', name: 'Oblique 30°', orbital: 30, tilt: 0 },
  { word: 'lateral', name: 'Lateral', orbital: -90, tilt: 0 },
];

/** Points in pixels of the picture as it is shown. */
interface HandMeasure {
  kind: 'distance' | 'angle';
  points: [number, number][];
}

export class FilmView {
  readonly element = document.createElement('div');
  orbital = 0;
  tilt = 15;
  named = '';
  show: Show = 'metal';
  private readonly image = document.createElement('img');
  private readonly svg = document.createElementNS('http://www.w3.org/2000/svg', 'svg');
  private readonly words = document.createElement('div');
  private inFlight = false;
  private shownKey = '';
  private url = '';
  private points: [number, number][] = [];
  private grabbed: 'tube' | null = null;
  private mmPerPixel: number | null = null;

  constructor(private readonly test = 'view-film') {
    this.element.className = 'view film-view';
    this.element.tabIndex = 0;
    this.element.setAttribute('role', 'application');
    this.element.setAttribute('aria-label', 'C-arm, simulated film. Drag or use the arrow keys to move the tube.');
    this.element.dataset['test'] = this.test;
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
        this.grabbed = app.tool === 'look' || app.tool === 'place' ? 'tube' : null;
      },
      move: (dx, dy) => {
        if (this.grabbed === 'tube') this.aim(this.orbital + dx * 0.4, this.tilt - dy * 0.3);
      },
      end: (x, y, moved) => {
        if (!moved) this.click(x, y);
        else changed();
      },
    });
    this.element.addEventListener('keydown', (e) => {
      const way = { ArrowLeft: [-2, 0], ArrowRight: [2, 0], ArrowUp: [0, 2], ArrowDown: [0, -2] }[e.key];
      if (e.key === 'Escape') {
        this.points = [];
        app.tool = 'look';
        changed();
      }
      if (!way || e.target !== this.element) return;
      e.preventDefault();
      e.stopPropagation();
      this.aim(this.orbital + way[0]!, this.tilt + way[1]!);
    });
  }

  aim(orbital: number, tilt: number): void {
    this.orbital = Math.round(Math.max(-110, Math.min(110, orbital)));
    this.tilt = Math.round(Math.max(-50, Math.min(50, tilt)));
    this.named = '';
    this.update();
    changed();
  }
  view(word: string): void {
    const v = kNamedViews.find((x) => x.word === word);
    this.named = word;
    if (v) {
      this.orbital = v.orbital;
      this.tilt = v.tilt;
    }
    this.update();
    changed();
  }
  setShow(show: Show): void {
    this.show = show;
    this.update();
    changed();
  }

  /** Of the view, in measures kept. */
  private name(): string {
    return `film:${this.named || `${this.orbital},${this.tilt}`}:${this.show}`;
  }

  private query(): Record<string, string | number | undefined> {
    const q = this.named ? { view: this.named } : { orbital: this.orbital, tilt: this.tilt };
    const side = Math.min(this.element.clientWidth, this.element.clientHeight) * Math.min(2, devicePixelRatio || 1);
    const pixels = side > 700 ? 1024 : side > 350 ? 640 : 400;
    return { ...q, show: this.show, pixels };
  }

  update(): void {
    const state = app.state;
    if (!state?.plan || !this.element.isConnected) return;
    this.overlay();
    const key = shapeKey() + JSON.stringify(this.query());
    if (key === this.shownKey || this.inFlight) return;
    void this.fetch(state.id, key);
  }

  private async fetch(id: string, key: string): Promise<void> {
    this.inFlight = true;
    this.element.classList.add('waiting');
    try {
      const blob = await api.film(id, this.query());
      const before = this.url;
      this.mmPerPixel = await filmScale(blob);
      this.url = URL.createObjectURL(blob);
      this.image.src = this.url;
      this.image.alt = `Simulated film, ${this.named || `orbital ${this.orbital} degrees, tilt ${this.tilt} degrees`}`;
      this.element.dataset['shown'] = 'true';
      if (before) URL.revokeObjectURL(before);
    } catch (error) {
      told(error);
    } finally {
      this.shownKey = key;
      this.inFlight = false;
      this.element.classList.remove('waiting');
    }
    // Only if something changed meanwhile: the key says so.
    this.update();
  }

  /** The picture's place in the element: it is shown whole. */
  private frame(): { x: number; y: number; k: number } {
    const w = this.element.clientWidth;
    const h = this.element.clientHeight;
    const iw = this.image.naturalWidth || 1;
    const ih = this.image.naturalHeight || 1;
    const k = Math.min(w / iw, h / ih);
    return { x: (w - iw * k) / 2, y: (h - ih * k) / 2, k };
  }

  private click(x: number, y: number): void {
    if (app.tool !== 'distance' && app.tool !== 'angle') return;
    const f = this.frame();
    this.points.push([(x - f.x) / f.k, (y - f.y) / f.k]);
    if (!this.mmPerPixel) {
      this.points = [];
      say('This film tells no size, so nothing can be measured on it.');
    } else if (this.points.length === (app.tool === 'distance' ? 2 : 3)) {
      const m: HandMeasure = { kind: app.tool, points: this.points };
      const k = this.mmPerPixel;
      // Kept in mm on the detector, from the picture's corner: the same whatever the picture's size.
      addMeasure({ view: this.name(), kind: m.kind, points: m.points.map(([px, py]) => [px * k, py * k, 0]), state: this.show === 'injured' ? 'injured' : 'reduced' });
      this.points = [];
      say(`${this.textOf(m)}, on the detector`);
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

  private overlay(): void {
    const w = this.element.clientWidth;
    const h = this.element.clientHeight;
    this.svg.setAttribute('viewBox', `0 0 ${w} ${h}`);
    const f = this.frame();
    const out: string[] = [];
    const labels: Label[] = [];
    const at = (p: [number, number]): [number, number] => [f.x + p[0] * f.k, f.y + p[1] * f.k];
    const all: HandMeasure[] = [];
    const scale = this.mmPerPixel;
    if (scale)
      for (const m of app.state?.measures_drawn ?? [])
        if (m.view === this.name())
          all.push({ kind: m.kind, points: m.points.map((q) => [q[0] / scale, q[1] / scale]) });
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
    const where = kNamedViews.find((v) => v.word === this.named)?.name ?? `orbital ${this.orbital}°, tilt ${this.tilt}°`;
    labels.push({ cls: 'margin', text: `SIMULATED · ${where}` });
    this.svg.innerHTML = out.join('');
    putLabels(this.words, labels);
  }
}
