// A slice that follows a ray, crosses its joint, or looks down a drill. Grey values come as int16; window, outlines and
// handles are drawn here.
import { api } from '../api';
import { baseShown, goesBack } from '../foot';
import { add, angleAt, cross, dist, dot, mul, sub } from '../math';
import { deviceUnderHand, dragRay, dropRay, keyRay, turnRay } from '../moves';
import { addMeasure, app, changed, deviceNow, devicesNow, footState, rayNow, say, shapeKey, told } from '../store';
import type { Slice, Vec } from '../types';
import { mm, num, wayName } from '../words';
import { follow } from './drag';
import { deviceHandles, type DeviceHandles } from './handles';
import { putLabels, type Label } from './labels';
import { phrase } from '../phrases';

export type SliceKind = 'along' | 'across' | 'drill';

export const kWindows = [
  { name: phrase('page.bone'), level: 500, width: 1800 },
  { name: phrase('page.edges'), level: 300, width: 700 },
  { name: phrase('page.metal_2'), level: 1200, width: 4000 },
  { name: phrase('page.soft'), level: 40, width: 400 },
];

const kLabel = { along: phrase('page.slice_along_ray'), across: phrase('page.slice_across_joint'), drill: phrase('page.down_drill') };
const kCrumbMm = 2;
/** The longer side of what a line takes, pixels. */
function extent(line: [number, number][]): number {
  const span = (k: 0 | 1): number => Math.max(...line.map((p) => p[k])) - Math.min(...line.map((p) => p[k]));
  return line.length ? Math.max(span(0), span(1)) : 0;
}

function centre(line: [number, number][]): [number, number] {
  const sum = line.reduce<[number, number]>((a, p) => [a[0] + p[0], a[1] + p[1]], [0, 0]);
  return [sum[0] / line.length, sum[1] / line.length];
}

const kTravel = { along: [-15, 15], across: [-25, 40], drill: [-4, 60] };

export class SliceView {
  readonly element = document.createElement('div');
  offset = 0;
  turnDeg = 0;
  thickness = 0;
  window = { ...kWindows[0]! };
  outlines = true;
  field: number; // mm across

  slice: Slice | null = null;
  private readonly canvas = document.createElement('canvas');
  private readonly svg = document.createElementNS('http://www.w3.org/2000/svg', 'svg');
  private readonly words = document.createElement('div');
  private readonly handles: DeviceHandles;
  private inFlight = false;
  private wanted = '';
  private shownKey = '';
  private shownRay = 0;
  private shownDevice = '';
  private points: [number, number][] = [];
  private grabbed: 'grey' | 'scroll' | 'ray' | 'turn' | null = null;
  private queued = false;
  /** Deepest margin seen on the way down, by depth. */
  readonly margins = new Map<number, number>();
  private marginsOf = '';

  constructor(readonly kind: SliceKind) {
    this.field = kind === 'along' ? 130 : kind === 'across' ? 80 : 36;
    this.element.className = `view slice-view ${kind}`;
    this.element.tabIndex = 0;
    this.element.setAttribute('role', 'application');
    this.element.setAttribute(
      'aria-label',
      phrase('page.up_down_arrows_go_through_plus', { kind: kLabel[kind] }),
    );
    this.element.dataset['test'] = `view-${kind}`;
    this.svg.setAttribute('class', 'overlay');
    this.svg.setAttribute('aria-hidden', 'true');
    this.canvas.setAttribute('aria-hidden', 'true');
    this.words.className = 'labels';
    this.element.append(this.canvas, this.svg, this.words);
    this.handles = deviceHandles(
      `handle-${kind}`,
      (dx, dy) => this.inSpace(dx, dy),
      () => this.pixelsPerMm(),
    );
    this.element.append(this.handles.entry, this.handles.tip);
    new ResizeObserver(() => this.update()).observe(this.element);
    this.follow();
  }

  range(): [number, number] {
    if (this.kind === 'drill') {
      const d = deviceNow(app.device);
      return [-4, Math.ceil((d?.length_mm ?? 50) + 6)];
    }
    return kTravel[this.kind] as [number, number];
  }

  setOffset(mmOffset: number): void {
    const [low, high] = this.range();
    this.offset = Math.max(low, Math.min(high, Math.round(mmOffset * 4) / 4));
    this.update();
    changed();
  }
  zoom(factor: number): void {
    this.field = Math.max(10, Math.min(220, this.field / factor));
    this.update();
  }
  setWindow(level: number, width: number): void {
    this.window = { name: '', level: Math.round(level), width: Math.round(Math.max(50, width)) };
    for (const w of kWindows) if (w.level === this.window.level && w.width === this.window.width) this.window = { ...w };
    this.paint();
  }

  update(): void {
    const state = app.state;
    if (!state?.plan || !this.element.isConnected) return;
    if (app.ray !== this.shownRay || (this.kind === 'drill' && app.device !== this.shownDevice)) {
      this.shownRay = app.ray;
      this.shownDevice = app.device ?? '';
      this.offset = this.kind === 'drill' ? Math.min(12, (deviceNow(app.device)?.length_mm ?? 20) / 2) : 0;
      this.turnDeg = 0;
      this.points = [];
      changed();
    }
    const w = this.element.clientWidth;
    const h = this.element.clientHeight;
    if (w < 16 || h < 16) return;
    const scale = Math.min(1, 640 / w, 640 / h);
    const width = Math.max(16, Math.round(w * scale));
    const height = Math.max(16, Math.round(h * scale));
    const q: Record<string, string | number | undefined> = {
      kind: this.kind,
      ray: app.ray,
      device: this.kind === 'drill' ? (app.device ?? undefined) : undefined,
      state: this.kind === 'drill' ? 'reduced' : footState(),
      offset: this.offset,
      turn: this.kind === 'along' && this.turnDeg ? this.turnDeg : undefined,
      width,
      height,
      mm: Number((this.field / width).toFixed(4)),
      thickness: this.thickness || undefined,
    };
    const key = shapeKey() + JSON.stringify(q);
    this.drawSoon();
    if (key === this.shownKey || (this.kind === 'drill' && !app.device)) return;
    this.wanted = key;
    void this.fetch(state.id, q, key);
  }

  private async fetch(id: string, q: Record<string, string | number | undefined>, key: string): Promise<void> {
    if (this.inFlight) return;
    this.inFlight = true;
    let next: [Record<string, string | number | undefined>, string] | null = [q, key];
    this.element.classList.add('waiting');
    try {
      while (next) {
        const [query, wanted]: [Record<string, string | number | undefined>, string] = next;
        next = null;
        const slice = await api.slice(id, query);
        this.slice = slice;
        this.shownKey = wanted;
        if (this.kind === 'drill' && slice.margin_mm !== null) {
          const of = `${app.device} ${shapeKey()}`;
          if (of !== this.marginsOf) this.margins.clear();
          this.marginsOf = of;
          this.margins.set(Number(query['offset']), slice.margin_mm);
          changed();
        }
        this.paint();
        if (this.wanted !== wanted) {
          // The newest wish, made anew from what is shown now.
          this.inFlight = false;
          this.update();
          return;
        }
      }
      this.element.dataset['shown'] = 'true';
    } catch (error) {
      this.shownKey = key; // not again and again
      this.slice = null;
      this.paint();
      told(error);
    } finally {
      this.inFlight = false;
      this.element.classList.remove('waiting');
    }
  }

  private drawSoon(): void {
    if (this.queued) return;
    this.queued = true;
    requestAnimationFrame(() => {
      this.queued = false;
      this.overlay();
    });
  }

  private paint(): void {
    const s = this.slice;
    const context = this.canvas.getContext('2d');
    if (!context) return;
    if (!s) {
      this.canvas.width = this.canvas.width;
      this.overlay();
      return;
    }
    if (this.canvas.width !== s.width || this.canvas.height !== s.height) {
      this.canvas.width = s.width;
      this.canvas.height = s.height;
    }
    const image = context.createImageData(s.width, s.height);
    const out = new Uint32Array(image.data.buffer);
    const low = this.window.level - this.window.width / 2;
    const k = 255 / this.window.width;
    for (let i = 0; i < s.hu.length; ++i) {
      const g = Math.max(0, Math.min(255, (s.hu[i]! - low) * k)) | 0;
      out[i] = 0xff000000 | (g << 16) | (g << 8) | g;
    }
    context.putImageData(image, 0, 0);
    this.overlay();
  }

  private pixelsPerMm(): number {
    return this.element.clientWidth / this.field;
  }
  private inSpace(dx: number, dy: number): Vec {
    const s = this.slice;
    if (!s) return [0, 0, 0];
    const k = 1 / this.pixelsPerMm();
    return add(mul(s.right, dx * k), mul(s.down, dy * k));
  }
  /** Pixels of the picture to places on the screen. */
  private onScreen(p: [number, number]): [number, number] {
    const k = this.slice ? this.element.clientWidth / this.slice.width : 1;
    return [(p[0] + 0.5) * k, (p[1] + 0.5) * k];
  }
  private project(p: Vec): { x: number; y: number; off: number } {
    const s = this.slice!;
    const r = sub(p, s.origin);
    const [x, y] = this.onScreen([dot(r, s.right) / s.mm_per_pixel, dot(r, s.down) / s.mm_per_pixel]);
    return { x, y, off: dot(r, s.normal) };
  }
  private inPatient(x: number, y: number): Vec {
    const s = this.slice!;
    const k = s.width / this.element.clientWidth;
    return add(s.origin, add(mul(s.right, (x * k - 0.5) * s.mm_per_pixel), mul(s.down, (y * k - 0.5) * s.mm_per_pixel)));
  }

  private overlay(): void {
    const s = this.slice;
    const w = this.element.clientWidth;
    const h = this.element.clientHeight;
    this.svg.setAttribute('viewBox', `0 0 ${w} ${h}`);
    if (!s) {
      this.svg.innerHTML = '';
      putLabels(this.words, [{ cls: 'empty', text: this.kind === 'drill' && !app.device ? phrase('page.choose_device') : '' }]);
      this.handles.entry.hidden = this.handles.tip.hidden = true;
      return;
    }
    const out: string[] = [];
    const labels: Label[] = [];
    const plan = app.state?.plan;
    if (this.outlines)
      for (const o of s.outlines) {
        const body = plan?.bodies.find((b) => b.id === o.body);
        const device = plan?.devices.find((d) => d.id === o.body);
        let cls = 'bone';
        if (device) cls = device.ok === false ? 'piece' : device.fate === 'stays' ? 'stays' : 'comes-out';
        else if (o.body.includes('.')) cls = 'piece';
        else if (body?.ray) {
          const ray = rayNow(body.ray);
          const moves = goesBack(ray);
          cls = !moves ? 'bone' : footState() === 'injured' && this.kind !== 'drill' ? 'found' : 'belongs';
        }
        if (o.body === app.device || body?.ray === app.ray) cls += ' chosen';
        for (const line of o.lines) {
          // A crumb of a bone would pass for a fragment.
          if (!device && !o.body.includes('.') && extent(line) * s.mm_per_pixel < kCrumbMm) continue;
          const d = line.map((p, i) => `${i ? 'L' : 'M'}${this.onScreen(p).map((v) => v.toFixed(1)).join(' ')}`).join('');
          out.push(`<path class="${cls}" d="${d}"/>`);
        }
        const longest = o.lines.reduce<[number, number][]>((a, b) => (b.length > a.length ? b : a), []);
        if (longest.length <= 12 || device) continue;
        const main = this.onScreen(centre(longest));
        labels.push({ cls: 'body-label', text: o.body, x: main[0], y: main[1] });
        // A part that lies apart is named too, beside it: it is no fragment.
        for (const line of o.lines) {
          const size = extent(line) * s.mm_per_pixel;
          if (line === longest || size < kCrumbMm) continue;
          const [cx, cy] = this.onScreen(centre(line));
          if (Math.hypot(cx - main[0], cy - main[1]) > 40) labels.push({ cls: 'body-label part', text: o.body, x: cx - (size / 2) * this.pixelsPerMm() - 4, y: cy });
        }
      }
    if (this.kind === 'drill' && s.margin_at && s.margin_mm !== null) {
      const d = deviceNow(app.device);
      const centre = d ? this.project(add(d.entry, mul(d.direction, this.offset))) : { x: w / 2, y: h / 2 };
      const [mx, my] = this.onScreen(s.margin_at);
      // Where the device breaks the cortex it enters there is no margin, and need be none: the check leaves that out.
      const wanted = d?.margin_wanted_mm ?? 0;
      const least = d?.checks?.['cortex_margin_mm'];
      const bad = typeof least === 'number' && least < wanted && s.margin_mm < wanted;
      out.push(`<path class="${bad ? 'out' : 'in'}" d="M${centre.x} ${centre.y}L${mx} ${my}"/>`);
      out.push(`<circle class="${bad ? 'out' : 'in'}" cx="${mx}" cy="${my}" r="3"/>`);
      labels.push({ cls: bad ? 'margin out' : 'margin', text: phrase('page.cortex_depth', { bad: bad ? '▲ ' : '', margin: mm(s.margin_mm), offset: mm(this.offset) }) });
    }
    for (const m of app.state?.measures_drawn ?? []) {
      if (!['foot', 'along', 'across', 'drill'].includes(m.view) || (m.state ?? 'reduced') !== footState()) continue;
      const ps = m.points.map((p) => this.project(p));
      if (ps.every((p) => Math.abs(p.off) <= 1.5)) this.hand(m.points, out, labels);
    }
    if (this.points.length) this.hand(this.points.map(([x, y]) => this.inPatient(x, y)), out, labels);
    const edges: [string, string | undefined][] = [
      ['left', s.left],
      ['right', s.right_word],
      ['top', s.top],
      ['bottom', s.bottom],
    ];
    for (const [edge, word] of edges) if (word) labels.push({ cls: `edge ${edge}`, text: wayName(word) });
    const ten = 10 * this.pixelsPerMm();
    out.push(`<path class="ruler" d="M${w - 14 - ten} ${h - 30}v6h${ten}v-6"/>`);
    labels.push({ cls: 'ruler-word', text: mm(10, 0), x: w - 14 - ten / 2, y: h - 33 });
    this.svg.innerHTML = out.join('');
    putLabels(this.words, labels);
    this.placeHandles();
  }

  private hand(points: Vec[], out: string[], labels: Label[]): void {
    const ps = points.map((p) => this.project(p));
    const [a, b, c] = ps;
    for (const p of ps) out.push(`<circle class="hand" cx="${p.x}" cy="${p.y}" r="3"/>`);
    if (!a || !b) return;
    out.push(`<path class="halo" d="M${a.x} ${a.y}L${b.x} ${b.y}${c ? `L${c.x} ${c.y}` : ''}"/>`);
    out.push(`<path class="hand" d="M${a.x} ${a.y}L${b.x} ${b.y}${c ? `L${c.x} ${c.y}` : ''}"/>`);
    const text = c ? `${num(angleAt(points[0]!, points[1]!, points[2]!))}°` : mm(dist(points[0]!, points[1]!));
    const x = c ? b.x : (a.x + b.x) / 2;
    const y = c ? b.y : (a.y + b.y) / 2;
    labels.push({ cls: 'measure', text, x, y });
  }

  private placeHandles(): void {
    const d = devicesNow().find((x) => x.id === app.device);
    const show = !!d && app.place === 'fixation' && this.kind === 'along' && d.ray === app.ray && footState() === 'reduced' && !app.readOnly;
    for (const which of ['entry', 'tip'] as const) {
      const b = this.handles[which];
      b.hidden = !show;
      if (!show || !d) continue;
      const held = deviceUnderHand();
      const p = this.project(held && held.id === d.id ? held[which] : d[which]);
      b.style.left = `${p.x}px`;
      b.style.top = `${p.y}px`;
      b.title = Math.abs(p.off) > 1 ? phrase('page.slice', { off: mm(Math.abs(p.off)), off_2: wayName(p.off > 0 ? 'medial' : 'lateral') }) : '';
      b.classList.toggle('apart', Math.abs(p.off) > 2);
    }
  }

  private click(x: number, y: number): void {
    if (!this.slice || this.element.classList.contains('waiting')) {
      // A point must not fall into a slice that is no longer, or not yet, the one meant.
      if (app.tool !== 'look') say(phrase('page.slice_still_way_click_again'));
      return;
    }
    if (app.tool === 'distance' || app.tool === 'angle') {
      this.points.push([x, y]);
      if (this.points.length === (app.tool === 'distance' ? 2 : 3)) {
        const points = this.points.map(([px, py]) => this.inPatient(px, py));
        addMeasure({ view: this.kind, kind: app.tool, points, state: this.kind === 'drill' ? 'reduced' : footState() });
        say(app.tool === 'distance' ? mm(dist(points[0]!, points[1]!)) : `${num(angleAt(points[0]!, points[1]!, points[2]!))}°`);
        this.points = [];
      }
      this.drawSoon();
    } else if (app.tool === 'place' && app.placing) {
      if (footState() !== 'injured') {
        say(phrase('page.corrections_placed_images_scanned_choose_scanned'));
        return;
      }
      app.placing.take(this.inPatient(x, y));
    }
  }

  private follow(): void {
    follow(this.element, {
      start: (_x, _y, e) => {
        const canMove = footState() === 'reduced' && !app.readOnly && this.kind !== 'drill';
        if (app.tool === 'move' && canMove) this.grabbed = 'ray';
        else if (app.tool === 'turn' && canMove) this.grabbed = 'turn';
        else if (e.button !== 0 || e.shiftKey) this.grabbed = 'scroll';
        else this.grabbed = 'grey';
      },
      move: (dx, dy, x, y) => {
        if (this.grabbed === 'grey') this.setWindow(this.window.level - 3 * dy, this.window.width + 5 * dx);
        else if (this.grabbed === 'scroll') this.setOffset(this.offset - dy * 0.1);
        else if (this.grabbed === 'ray') dragRay(app.ray, this.inSpace(dx, dy));
        else if (this.grabbed === 'turn') this.turnUnderHand(dx, dy, x, y);
      },
      end: (x, y, moved) => {
        const was = this.grabbed;
        this.grabbed = null;
        if (!moved) this.click(x, y);
        else if (was === 'ray' || was === 'turn') void dropRay(app.ray);
        else changed();
      },
      pinch: (factor, _dx, dy) => {
        this.zoom(factor);
        if (Math.abs(factor - 1) < 0.01) this.setOffset(this.offset - dy * 0.2);
      },
      wheel: (steps, e) => {
        if (e.ctrlKey) this.zoom(Math.pow(0.9, steps));
        else this.setOffset(this.offset + Math.sign(steps) * Math.max(0.5, Math.min(3, Math.abs(steps))) );
      },
    });
    this.element.addEventListener('keydown', (e) => this.key(e));
  }

  private turnUnderHand(dx: number, dy: number, x: number, y: number): void {
    const plan = app.state?.plan;
    const centre = plan && baseShown(plan, app.ray);
    if (!centre || !this.slice) return;
    const c = this.project(centre);
    const before = Math.atan2(y - dy - c.y, x - dx - c.x);
    const after = Math.atan2(y - c.y, x - c.x);
    // right x down runs away from the eye, so a clockwise turn on the screen is positive about it.
    const away = cross(this.slice.right, this.slice.down);
    turnRay(app.ray, away, centre, after - before);
  }

  private key(e: KeyboardEvent): void {
    if (e.ctrlKey || e.metaKey || e.altKey || e.target !== this.element) return;
    const plan = app.state?.plan;
    const held = (app.tool === 'move' || app.tool === 'turn') && footState() === 'reduced' && this.kind !== 'drill';
    if (held && plan && this.slice) {
      const scale = this.pixelsPerMm();
      const away = cross(this.slice.right, this.slice.down);
      if (keyRay(e.key, e.shiftKey, (dx, dy) => this.inSpace(dx * scale, dy * scale), away, baseShown(plan, app.ray))) {
        e.preventDefault();
        e.stopPropagation();
        return;
      }
    }
    switch (e.key) {
      case 'ArrowUp':
        this.setOffset(this.offset + (e.shiftKey ? 2 : 0.5));
        break;
      case 'ArrowDown':
        this.setOffset(this.offset - (e.shiftKey ? 2 : 0.5));
        break;
      case '+':
      case '=':
        this.zoom(1.12);
        break;
      case '-':
        this.zoom(1 / 1.12);
        break;
      case '[':
        this.setWindow(this.window.level + 50, this.window.width);
        break;
      case ']':
        this.setWindow(this.window.level - 50, this.window.width);
        break;
      case 'Escape':
        this.points = [];
        app.tool = 'look';
        app.placing = null;
        changed();
        break;
      default:
        return;
    }
    e.preventDefault();
    e.stopPropagation();
  }
}
