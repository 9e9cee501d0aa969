// A real film of the patient, to stand beside the simulated one: as its header wants it shown, decoded by the server.
import { api } from '../api';
import { app, told } from '../store';
import type { RealFilm } from '../types';
import { day } from '../words';
import type { Label } from './labels';
import { PictureView } from './picture-view';
import { phrase } from '../phrases';

/** Those given before the operation, then those of the checks after it; `picture`: what a check drew on a film. */
export function realFilms(): RealFilm[] {
  const s = app.state;
  if (!s) return [];
  const after = (s.followup?.checks ?? []).flatMap((c) => (c.films ?? []).map((f) => ({ ...f, after: c.n })));
  return [...(s.films ?? []), ...after];
}

export const filmTitle = (f: RealFilm): string =>
  [f.view ?? f.name, f.date ? day(f.date) : '', f.after ? `check ${f.after}` : ''].filter(Boolean).join(' · ');

export class RealFilmView extends PictureView {
  /** Which film; the first where there is no such one. */
  chosen = '';
  private shownKey = '';

  constructor() {
    super('view-real', 'film-view real', phrase('page.real_film_drag_move_wheel_plus'));
  }

  film(): RealFilm | null {
    const all = realFilms();
    return all.find((f) => f.id === this.chosen) ?? all[0] ?? null;
  }

  protected name(): string {
    return `film:${this.film()?.id ?? ''}`;
  }
  protected footState(): 'injured' | 'reduced' {
    return this.film()?.after ? 'reduced' : 'injured';
  }
  protected plane(): string {
    return phrase('page.size_film_tells');
  }
  protected labels(): Label[] {
    const f = this.film();
    if (!f) return [{ cls: 'margin', text: phrase('page.no_film_given') }];
    const size = this.mmPerPixel ? '' : phrase('page.tells_no_size');
    return [{ cls: f.cautions?.length ? 'margin out' : 'margin', text: `${f.cautions?.length ? '▲ ' : ''}${phrase('page.real_film_title', { film: filmTitle(f) })}${size}` }];
  }

  update(): void {
    const state = app.state;
    const film = this.film();
    if (!state || !this.element.isConnected) return;
    this.overlay();
    const key = film ? `${state.id} ${film.id}` : '';
    if (key === this.shownKey) return;
    this.shownKey = key;
    this.whole();
    // What was shown before is not left standing under another name.
    this.image.removeAttribute('src');
    this.image.alt = '';
    this.mmPerPixel = null;
    delete this.element.dataset['shown'];
    if (film) void this.fetch(state.id, film, key);
  }

  private async fetch(id: string, film: RealFilm, key: string): Promise<void> {
    this.element.classList.add('waiting');
    try {
      const blob = await api.realFilm(id, film.id);
      if (key !== this.shownKey) return;
      await this.put(blob, phrase('page.real_film_2', { film: filmTitle(film) }), film.id);
    } catch (error) {
      told(error);
    } finally {
      this.element.classList.remove('waiting');
    }
  }
}
