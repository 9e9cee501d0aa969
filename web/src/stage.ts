// The large view and the one beside it, with their tools.
import { h, type JSX } from 'preact';
import { host } from './elements';
import { order, app, changed, edit, footState, set, showFoot, showView, deviceNow, say, type Tool, type ViewKind } from './store';
import { kNamedViews, FilmView, type Show } from './views/film-view';
import { FootView } from './views/foot-view';
import { filmTitle, realFilms, RealFilmView } from './views/real-film-view';
import { kWindows, SliceView } from './views/slice-view';
import { giveFilms, type Given } from './upload';
import { button, choice, filePick } from './widgets';
import { mm, ordinal, rayName, wayName } from './words';
import { phrase } from './phrases';

let foot: FootView | null = null;
let film: FilmView | null = null;
let real: RealFilmView | null = null;
const slices = new Map<string, SliceView>();

export const footView = (): FootView => (foot ??= new FootView());
export const filmView = (): FilmView => (film ??= new FilmView());
export const realFilmView = (): RealFilmView => (real ??= new RealFilmView());
export function sliceView(kind: 'along' | 'across' | 'drill'): SliceView {
  let v = slices.get(kind);
  if (!v) slices.set(kind, (v = new SliceView(kind)));
  return v;
}

const kViewNames: { id: ViewKind; name: string }[] = [
  { id: 'foot', name: phrase('page.foot') },
  { id: 'along', name: phrase('page.along_ray') },
  { id: 'across', name: phrase('page.across_joint') },
  { id: 'drill', name: phrase('page.down_drill') },
  { id: 'film', name: phrase('page.c_arm') },
];
const nameOf = (kind: ViewKind): string => (kind === 'other' ? phrase('page.real_film') : (kViewNames.find((v) => v.id === kind)?.name ?? kind));

/** After every change: the views that are in sight keep up. */
export function updateViews(): void {
  for (const kind of app.views) {
    if (kind === 'foot') footView().update();
    else if (kind === 'film') filmView().update();
    else if (kind === 'other') realFilmView().update();
    else if (kind === 'along' || kind === 'across' || kind === 'drill') sliceView(kind).update();
  }
}

function picker(pane: 0 | 1, now: ViewKind | null): JSX.Element {
  const items = pane === 1 ? [...kViewNames, ...(realFilms().length ? [{ id: 'other' as const, name: phrase('page.real_film') }] : [])] : kViewNames;
  return h(
    'select',
    {
      class: `view-pick ${now ?? 'none'}`,
      'aria-label': pane === 0 ? phrase('page.large_view') : phrase('page.view_beside'),
      'data-test': pane === 0 ? 'view-large' : 'view-beside',
      value: now ?? '',
      onChange: (e: Event) => showView(pane, ((e.target as HTMLSelectElement).value || null) as ViewKind | null),
    },
    pane === 1 ? h('option', { value: '', key: 'none' }, phrase('page.nothing_beside')) : null,
    items.map((v) => h('option', { value: v.id, key: v.id }, v.name)),
  );
}

export const stateChoice = (): JSX.Element =>
  choice(
    phrase('page.state_foot'),
    [
      { id: 'injured', name: phrase('page.scanned_2') },
      { id: 'reduced', name: phrase('page.where_belongs') },
    ],
    footState(),
    (s) => showFoot(s),
    'state',
  );

let playing = 0;
function play(): void {
  window.cancelAnimationFrame(playing);
  if (playing) {
    playing = 0;
    changed();
    return;
  }
  const end = Math.max(1, order().length);
  if (matchMedia('(prefers-reduced-motion: reduce)').matches) {
    // A step at a time instead of a motion.
    set({ played: app.played >= end ? 0 : Math.floor(app.played) + 1 });
    return;
  }
  if (app.played >= end) app.played = 0;
  let last = performance.now();
  const frame = (now: number): void => {
    app.played = Math.min(end, app.played + (now - last) / 1600);
    last = now;
    playing = app.played < end ? requestAnimationFrame(frame) : 0;
    changed();
  };
  playing = requestAnimationFrame(frame);
}

function player(): JSX.Element {
  const rays = order();
  const end = Math.max(1, rays.length);
  const at = Math.min(rays.length - 1, Math.floor(app.played));
  const words =
    app.played <= 0
      ? phrase('page.scanned')
      : app.played >= end
        ? phrase('page.all_rays_where_they_belong')
        : phrase('page.goes_back_2', { at: rayName(rays[at] ?? 0), at_2: at + 1, rays: rays.length });
  return h(
    'div',
    { class: 'player' },
    button(playing ? phrase('page.pause') : phrase('page.play'), play, { test: 'play', title: phrase('page.play_reduction_order_plan') }),
    h('input', {
      type: 'range',
      min: 0,
      max: end,
      step: 0.05,
      value: app.played,
      'aria-label': phrase('page.reduction_ray_ray'),
      'aria-valuetext': words,
      'data-test': 'played',
      onInput: (e: Event) => set({ played: Number((e.target as HTMLInputElement).value) }),
    }),
    h('span', { class: 'words' }, words),
  );
}

const kLookFrom = ['dorsal', 'medial', 'lateral', 'plantar', 'along'];

function footTools(small: boolean): JSX.Element {
  const v = footView();
  const bodies = app.state?.plan?.bodies ?? [];
  return h(
    'div',
    { class: 'tools', key: 'foot-tools' },
    small
      ? h(
          'select',
          {
            key: 'from',
            'aria-label': phrase('page.look'),
            'data-test': 'home-from',
            value: '',
            onChange: (e: Event) => {
              const s = e.target as HTMLSelectElement;
              if (s.value) v.home(s.value);
              s.value = '';
            },
          },
          h('option', { value: '', key: 'none' }, phrase('page.look_menu')),
          kLookFrom.map((n) => h('option', { value: n, key: n }, n === 'along' ? phrase('page.along_ray_2') : phrase('page.from', { n: wayName(n) }))),
        )
      : h(
          'div',
          { class: 'choice', role: 'group', 'aria-label': phrase('page.look'), key: 'from-row' },
          kLookFrom.map((n) =>
            button(n === 'along' ? phrase('page.along_ray_3') : wayName(n), () => v.home(n), {
              test: `home-${n}`,
              key: n,
              title: n === 'along' ? phrase('page.along_ray_4') : phrase('page.from_2', { n: wayName(n), to_upper_case: n[0]!.toUpperCase() }),
            }),
          ),
        ),
    h(
      'details',
      { class: 'more', key: 'show', name: 'more' },
      h('summary', { 'data-test': 'foot-show' }, phrase('page.show')),
      h(
        'div',
        { class: 'menu' },
        h(
          'label',
          null,
          phrase('page.fade_bones'),
          h('input', {
            type: 'range',
            min: 0,
            max: 1,
            step: 0.05,
            value: v.fade,
            'data-test': 'fade',
            onInput: (e: Event) => {
              v.fadeOf[app.place] = Number((e.target as HTMLInputElement).value);
              v.draw();
            },
          }),
        ),
        tick(phrase('page.other_state_seen_through'), v.ghost, (on) => (v.ghost = on)),
        tick(phrase('page.tick_measures'), v.measures, (on) => (v.measures = on)),
        tick(phrase('page.heading_devices'), v.devices, (on) => (v.devices = on)),
        tick(phrase('page.temporary_wires'), v.temporary, (on) => (v.temporary = on)),
        h('hr', null),
        bodies.map((b) =>
          tick(`${b.id} ${b.name}`, !v.hidden.has(b.id), (on) => (on ? v.hidden.delete(b.id) : v.hidden.add(b.id))),
        ),
      ),
    ),
  );
}

function tick(words: string, on: boolean, pick: (on: boolean) => unknown): JSX.Element {
  return h(
    'label',
    { class: 'tick', key: words },
    h('input', {
      type: 'checkbox',
      checked: on,
      onChange: (e: Event) => {
        pick((e.target as HTMLInputElement).checked);
        footView().draw();
        changed();
      },
    }),
    words,
  );
}

function range(label: string, value: number, low: number, high: number, step: number, write: (v: number) => string, set_: (v: number) => void, test: string): JSX.Element {
  return h(
    'label',
    { class: 'slide', key: test },
    h('span', null, label),
    h('input', {
      type: 'range',
      min: low,
      max: high,
      step,
      value,
      'data-test': test,
      onInput: (e: Event) => set_(Number((e.target as HTMLInputElement).value)),
    }),
    h('output', null, write(value)),
  );
}

function sliceFoot(kind: 'along' | 'across' | 'drill'): JSX.Element {
  const v = sliceView(kind);
  const [low, high] = v.range();
  const through = {
    along: (o: number) => (o === 0 ? phrase('page.shaft_axis') : `${mm(Math.abs(o))} ${wayName(o > 0 ? 'medial' : 'lateral')}`),
    across: (o: number) => (o === 0 ? phrase('page.joint') : `${mm(Math.abs(o))} ${wayName(o > 0 ? 'distal' : 'proximal')}`),
    drill: (o: number) => phrase('page.deep', { depth: mm(o) }),
  }[kind];
  return range(kind === 'drill' ? phrase('page.depth') : phrase('page.column_through'), v.offset, low, high, 0.5, through, (x) => v.setOffset(x), `offset-${kind}`);
}

function sliceTools(kind: 'along' | 'across' | 'drill'): JSX.Element {
  const v = sliceView(kind);
  return h(
    'div',
    { class: 'tools', key: `${kind}-tools` },
    h(
      'details',
      { class: 'more', key: 'grey', name: 'more' },
      h('summary', { 'data-test': `grey-${kind}` }, phrase('page.grey')),
      h(
        'div',
        { class: 'menu' },
        choice(
          phrase('page.window'),
          kWindows.map((w) => ({ id: w.name, name: w.name })),
          v.window.name,
          (name) => {
            const w = kWindows.find((x) => x.name === name)!;
            v.setWindow(w.level, w.width);
            changed();
          },
          `window-${kind}`,
        ),
        h('p', { class: 'hint' }, phrase('page.level_hu_width_hu_dragging_picture', { level: v.window.level, width: v.window.width })),
        range(phrase('page.thickness'), v.thickness, 0, 10, 0.5, (t) => (t ? phrase('page.mean', { t: mm(t) }) : phrase('page.one_plane')), (t) => {
          v.thickness = t;
          v.update();
          changed();
        }, `thickness-${kind}`),
        kind === 'along'
          ? range(phrase('page.turn_about_shaft'), v.turnDeg, -90, 90, 5, (t) => `${t}°`, (t) => {
              v.turnDeg = t;
              v.update();
              changed();
            }, 'turn-along')
          : null,
        h(
          'label',
          { class: 'tick' },
          h('input', {
            type: 'checkbox',
            checked: v.outlines,
            onChange: (e: Event) => {
              v.outlines = (e.target as HTMLInputElement).checked;
              v.update();
              changed();
            },
          }),
          phrase('page.outlines'),
        ),
      ),
    ),
  );
}

function filmTools(): JSX.Element {
  const v = filmView();
  return h(
    'div',
    { class: 'tools', key: 'film-tools' },
    h(
      'select',
      {
        'aria-label': phrase('page.view_film'),
        'data-test': 'film-view',
        value: v.named,
        onChange: (e: Event) => {
          const word = (e.target as HTMLSelectElement).value;
          if (word) v.view(word);
        },
      },
      v.named ? null : h('option', { value: '', key: 'free' }, v.title()),
      kNamedViews.map((n) => h('option', { value: n.word, key: n.word }, n.name)),
    ),
    h(
      'details',
      { class: 'more', key: 'tube', name: 'more' },
      h('summary', { 'data-test': 'film-tube' }, phrase('page.tube_menu')),
      h(
        'div',
        { class: 'menu' },
        range(phrase('page.round_foot'), v.orbital, -110, 110, 1, (x) => `${x}°`, (x) => v.aim(x, v.tilt), 'orbital'),
        range(phrase('page.towards_toes'), v.tilt, -50, 50, 1, (x) => `${x}°`, (x) => v.aim(v.orbital, x), 'tilt'),
        app.readOnly ? null : filePick(phrase('page.real_film_beside'), false, filmsBeside, 'real-film'),
      ),
    ),
  );
}

function filmFoot(): JSX.Element {
  const v = filmView();
  return choice<Show>(
    phrase('page.what_filmed'),
    [
      { id: 'injured', name: phrase('page.scanned_2') },
      { id: 'reduced', name: phrase('page.where_belongs') },
      { id: 'metal', name: phrase('page.metal') },
    ],
    v.show,
    (s) => v.setShow(s),
    'film-show',
  );
}

const kLikeIt: Record<string, string> = { dorsoplantar: 'dorsoplantar-15', oblique: 'oblique-30', lateral: 'lateral' };

/** Films from before the operation are kept in the case; the last of them stands beside the simulated one. */
export function filmsBeside(given: Given[]): void {
  void giveFilms(given).then((ok) => ok && app.state?.plan && besides());
}

/** The film last given, or this one, beside a simulated one of the same view. */
export function besides(id = realFilms().filter((f) => !f.after).at(-1)?.id): void {
  const f = realFilms().find((x) => x.id === id);
  if (!f) return;
  realFilmView().chosen = f.id;
  const like = kNamedViews.find((v) => v.word === f.view)?.word ?? kLikeIt[f.view ?? ''];
  if (like) filmView().view(like);
  app.views = ['film', 'other'];
  changed();
}

function otherTools(): JSX.Element {
  const all = realFilms();
  const now = realFilmView().film();
  return h(
    'div',
    { class: 'tools', key: 'other-tools' },
    h(
      'select',
      { 'aria-label': phrase('page.film'), 'data-test': 'which-film', value: now?.id ?? '', onChange: (e: Event) => besides((e.target as HTMLSelectElement).value) },
      all.map((f) => h('option', { value: f.id, key: f.id }, filmTitle(f))),
    ),
    now && !now.after && !app.readOnly
      ? button(phrase('page.take_off'), () => void edit('film.remove', { id: now.id }).then((ok) => ok && say(phrase('page.film_taken_off_case_undo_brings'))), { test: 'film-remove' })
      : null,
  );
}

/** What is to be known of the film that is shown. */
function otherFoot(): JSX.Element | null {
  const f = realFilmView().film();
  return f?.cautions?.length ? h('span', { class: 'small', 'data-test': 'film-cautions' }, f.cautions.join(' ')) : null;
}

function pane(index: 0 | 1, kind: ViewKind): JSX.Element {
  const tools =
    kind === 'foot' ? footTools(index === 1) : kind === 'film' ? filmTools() : kind === 'other' ? otherTools() : sliceTools(kind);
  const view =
    kind === 'foot'
      ? host(footView().element, 'v-foot')
      : kind === 'film'
        ? host(filmView().element, 'v-film')
        : kind === 'other'
          ? host(realFilmView().element, 'v-real')
          : host(sliceView(kind).element, `v-${kind}`);
  const subject =
    kind === 'along' || kind === 'across'
      ? rayName(app.ray)
      : kind === 'drill'
        ? (deviceNow(app.device)?.id ?? '')
        : '';
  return h(
    'figure',
    { key: `pane${index}`, class: index === 0 ? 'pane large' : 'pane beside', 'aria-label': `${nameOf(kind)} ${subject}` },
    h('div', { class: 'pane-head' }, picker(index, kind), subject ? h('span', { class: 'subject' }, subject) : null, tools),
    view,
    h('div', { class: 'pane-foot' }, kind === 'foot' ? player() : kind === 'film' ? filmFoot() : kind === 'other' ? otherFoot() : sliceFoot(kind)),
  );
}

function toolBar(): JSX.Element {
  const tools: { id: Tool; name: string }[] = [
    { id: 'look', name: phrase('page.look_2') },
    { id: 'distance', name: phrase('page.distance') },
    { id: 'angle', name: phrase('page.angle') },
  ];
  if (app.place === 'reduction' && !app.readOnly) tools.push({ id: 'move', name: phrase('page.move_ray', { ray: app.ray }) }, { id: 'turn', name: phrase('page.turn_ray', { ray: app.ray }) });
  if (app.placing) tools.push({ id: 'place', name: phrase('page.place_2') });
  const hints: Partial<Record<Tool, string>> = {
    distance: phrase('page.two_points_any_view'),
    angle: phrase('page.three_points_corner_second'),
    move: phrase('page.drag_view_ray_goes_along_plane', { ray: ordinal(app.ray) }),
    turn: phrase('page.drag_round_base_ray', { ray: ordinal(app.ray) }),
    place: app.placing?.words ?? '',
  };
  return h(
    'div',
    { class: 'toolbar', role: 'toolbar', 'aria-label': phrase('page.tools') },
    stateChoice(),
    choice(
      phrase('page.tool'),
      tools,
      app.tool,
      (t) => {
        if ((t === 'move' || t === 'turn') && footState() === 'injured') showFoot('reduced');
        set({ tool: t, placing: t === 'place' ? app.placing : null });
      },
      'tool',
    ),
    hints[app.tool] ? h('span', { class: 'hint' }, hints[app.tool]) : null,
    app.views[1] ? null : h('span', { class: 'push' }, picker(1, null)),
  );
}

export function stage(): JSX.Element {
  const [large, beside] = app.views;
  return h(
    'section',
    { class: 'stage', 'aria-label': phrase('page.views'), key: 'stage' },
    toolBar(),
    h('div', { class: beside ? 'panes two' : 'panes one' }, pane(0, large), beside ? pane(1, beside) : null),
  );
}
