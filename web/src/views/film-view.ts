// What the C-arm will show: a simulated film for any place of the tube, changed while dragging.
import { wayName } from '../words';
import { api } from '../api';
import { app, changed, shapeKey, told } from '../store';
import type { Label } from './labels';
import { PictureView } from './picture-view';
import { phrase } from '../phrases';

export type Show = 'injured' | 'reduced' | 'metal';
export const kNamedViews: { word: string; name: string; orbital: number; tilt: number }[] = [
  { word: 'dorsoplantar-10', name: phrase('page.view_dorsoplantar_10'), orbital: 0, tilt: 10 },
  { word: 'dorsoplantar-15', name: phrase('page.view_dorsoplantar_15'), orbital: 0, tilt: 15 },
  { word: 'dorsoplantar-20', name: phrase('page.view_dorsoplantar_20'), orbital: 0, tilt: 20 },
  { word: 'oblique-30', name: phrase('page.view_oblique_30'), orbital: 30, tilt: 0 },
  { word: 'lateral', name: phrase('page.lateral'), orbital: -90, tilt: 0 },
  { word: 'lateromedial', name: phrase('page.lateral_lateromedial'), orbital: 90, tilt: 0 },
];

const namedAt = (orbital: number, tilt: number): string => kNamedViews.find((v) => v.orbital === orbital && v.tilt === tilt)?.word ?? '';

/** The one name of a view, wherever it is written. */
export function viewName(named: string | null | undefined, orbital: number, tilt: number): string {
  const known = kNamedViews.find((v) => v.word === (named || namedAt(orbital, tilt)));
  if (known) return known.name;
  const ways = [
    orbital ? phrase('page.to', { orbital: Math.abs(orbital), orbital_2: wayName(orbital > 0 ? 'lateral' : 'medial') }) : '',
    tilt ? phrase('page.to_the', { tilt: Math.abs(tilt), tilt_2: phrase(tilt > 0 ? 'page.toes' : 'page.heel') }) : '',
  ].filter(Boolean);
  return phrase('page.tube', { ways: ways.join(', ') || phrase('page.straight_dorsal') });
}

type Three = [number, number, number];
const kWays: [string, string][] = [
  ['medial', 'lateral'],
  ['dorsal', 'plantar'],
  ['distal', 'proximal'],
];
/** In the foot's own directions: a third of a turn and more out of a direction, its word is left out. */
function wordsOf(v: Three): string {
  return v
    .map((x, i) => ({ size: Math.abs(x), word: kWays[i]![x > 0 ? 0 : 1] }))
    .filter((w) => w.size > 0.55)
    .sort((a, b) => b.size - a.size)
    .map((w) => wayName(w.word))
    .join(', ');
}

/** What lies at the edges of a film, from the place of the tube: the picture is seen from the tube, toes up, or dorsal
 * up where the beam runs across the foot. */
export function filmEdges(side: 'left' | 'right', orbital: number, tilt: number): { left: string; right: string; top: string; bottom: string; lateralIsLeft: boolean } {
  const o = (orbital * Math.PI) / 180;
  const t = (tilt * Math.PI) / 180;
  // Medial, dorsal, distal: right-handed in a right foot.
  const beam: Three = [Math.cos(t) * Math.sin(o), -Math.cos(t) * Math.cos(o), -Math.sin(t)];
  const along = (v: Three, w: Three): number => v[0] * w[0] + v[1] * w[1] + v[2] * w[2];
  const dorsal: Three = [0, 1, 0];
  const distal: Three = [0, 0, 1];
  const sideways = Math.abs(beam[0]) > Math.SQRT1_2;
  let up = sideways ? dorsal : distal;
  if (Math.abs(along(beam, up)) > 0.99) up = sideways ? distal : dorsal;
  const k = along(up, beam);
  up = [up[0] - k * beam[0], up[1] - k * beam[1], up[2] - k * beam[2]];
  const size = Math.hypot(...up);
  up = [up[0] / size, up[1] / size, up[2] / size];
  const hand = side === 'right' ? 1 : -1;
  // Down x beam.
  const right: Three = [
    -hand * (up[1] * beam[2] - up[2] * beam[1]),
    -hand * (up[2] * beam[0] - up[0] * beam[2]),
    -hand * (up[0] * beam[1] - up[1] * beam[0]),
  ];
  const back = (v: Three): Three => [-v[0], -v[1], -v[2]];
  const lateralIsLeft = right[0] > 0.55 && right[0] >= Math.max(Math.abs(right[1]), Math.abs(right[2]));
  return { left: wordsOf(back(right)), right: wordsOf(right), top: wordsOf(up), bottom: wordsOf(back(up)), lateralIsLeft };
}

export class FilmView extends PictureView {
  orbital = 0;
  tilt = 15;
  named = 'dorsoplantar-15';
  show: Show = 'metal';
  private inFlight = false;
  private shownIn = '';
  private shownKey = '';

  constructor() {
    super('view-film', 'film-view', phrase('page.arm_simulated_film_drag_use_arrow'));
  }

  protected override drag(dx: number, dy: number): void {
    this.aim(this.orbital + dx * 0.4, this.tilt - dy * 0.3);
  }
  protected override key(key: string): boolean {
    const way = { ArrowLeft: [-2, 0], ArrowRight: [2, 0], ArrowUp: [0, 2], ArrowDown: [0, -2] }[key];
    if (way) this.aim(this.orbital + way[0]!, this.tilt + way[1]!);
    return !!way;
  }

  aim(orbital: number, tilt: number): void {
    this.orbital = Math.round(Math.max(-110, Math.min(110, orbital)));
    this.tilt = Math.round(Math.max(-50, Math.min(50, tilt)));
    this.named = namedAt(this.orbital, this.tilt);
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

  title(): string {
    return viewName(this.named, this.orbital, this.tilt);
  }

  protected name(): string {
    return `film:${this.named || `${this.orbital},${this.tilt}`}:${this.show}`;
  }
  protected override aliases(): string[] {
    return [`film:${this.orbital},${this.tilt}:${this.show}`];
  }
  protected footState(): 'injured' | 'reduced' {
    return this.show === 'injured' ? 'injured' : 'reduced';
  }
  protected plane(): string {
    return phrase('page.detector_2');
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
    if (this.shownIn !== app.place) {
      // What the place is about, until another is chosen there.
      this.shownIn = app.place;
      this.show = app.place === 'images' || app.place === 'injury' ? 'injured' : app.place === 'reduction' ? 'reduced' : 'metal';
      changed();
    }
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
      await this.put(blob, phrase('page.simulated_film_foot', { side: app.state?.plan ? phrase(`side.${app.state.plan.side}`) : '', title: this.title() }), 'true');
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

  protected labels(): Label[] {
    const labels: Label[] = [];
    const side = app.state?.plan?.side;
    if (side) {
      const edges = filmEdges(side, this.orbital, this.tilt);
      for (const edge of ['left', 'right', 'top', 'bottom'] as const) if (edges[edge]) labels.push({ cls: `edge ${edge}`, text: edges[edge] });
      // As a marker laid on the cassette: on the lateral side where the film shows one.
      labels.push({ cls: `side-mark ${edges.lateralIsLeft ? 'left' : 'right'}`, text: side === 'left' ? 'L' : 'R' });
    }
    labels.push({ cls: 'margin', text: `${side ? `${phrase(`page.side_${side}_capitals`)} · ` : ''}${phrase('page.simulated_film', { film: this.title() })}` });
    return labels;
  }
}
