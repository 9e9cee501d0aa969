// Images: what was scanned, which bones were found, and corrections by hand.
import { h, type JSX } from 'preact';
import { api } from '../api';
import { Field } from '../elements';
import { app, changed, edit, refetch, say, set, showFoot, showView } from '../store';
import { besides, filmsBeside } from '../stage';
import { importImages, planNow, readUploaded, type Given } from '../upload';
import { filmTitle } from '../views/real-film-view';
import type { Body, Vec } from '../types';
import { button, cautions, filePick, section, work } from '../widgets';
import { bytes, day, num, person } from '../words';
import { phrase } from '../phrases';

const kBones = ['M1', 'M2', 'M3', 'M4', 'M5', 'C1', 'C2', 'C3', 'Cub', 'Nav', 'Tal', 'Cal'].map((id) => [id, phrase(`bone.${id}`)] as const);

type Kind = 'seed' | 'split' | 'merge' | 'rename' | 'remove';
const form = {
  kind: 'seed' as Kind,
  bone: 'M2',
  second: 'M3',
  radius: 1.5,
  side: '',
  lateral: '',
  series: '',
  turn: 0 as 0 | 1, // whose seeds are being placed, for a split
  seeds: [[], []] as [Vec[], Vec[]],
};

const boneSelect = (label: string, value: string, pick: (v: string) => void, test: string): JSX.Element =>
  h(
    'label',
    { class: 'field', key: test },
    h('span', null, label),
    h(
      'select',
      { value, 'data-test': test, onChange: (e: Event) => pick((e.target as HTMLSelectElement).value) },
      kBones.map(([id, name]) => h('option', { value: id, key: id }, `${id} ${name}`)),
    ),
  );

function place(words: string, take: (p: Vec) => void): void {
  showFoot('injured');
  if (!app.views.some((v) => v === 'along' || v === 'across')) showView(1, 'across');
  set({ tool: 'place', placing: { words, take } });
}
const done = (): void => set({ tool: 'look', placing: null });

async function send(part: object, words: string): Promise<void> {
  if (await edit('bones.edit', { edits: part })) say(phrase('page.takes_effect_when_you_plan_again', { words }));
}

function corrections(): JSX.Element {
  const { kind } = form;
  const pick = (k: Kind): void => {
    form.kind = k;
    form.seeds = [[], []];
    done();
  };
  const body: JSX.Element[] = [];
  if (kind === 'seed')
    body.push(
      h('p', null, phrase('page.click_point_inside_bone_slice_what')),
      boneSelect(phrase('page.belongs'), form.bone, (v) => ((form.bone = v), changed()), 'seed-bone'),
      h(
        'label',
        { class: 'field', key: 'radius' },
        h('span', null, phrase('page.radius_mm')),
        h(Field, {
          type: 'number',
          min: 0.5,
          max: 10,
          step: 0.5,
          value: form.radius,
          onChange: (e: Event) => (form.radius = Number((e.target as HTMLInputElement).value) || 1.5),
        }),
      ),
      button(phrase('page.place_point'), () =>
        place(phrase('page.click_slice_bone', { bone: form.bone }), (point) => {
          done();
          void send({ seeds: [{ bone: form.bone, point, radius_mm: form.radius }] }, phrase('page.point_placed', { bone: form.bone }));
        }), { test: 'seed-place' }),
    );
  else if (kind === 'split')
    body.push(
      h('p', null, phrase('page.two_bones_run_together_place_points')),
      boneSelect(phrase('page.split_one'), form.bone, (v) => ((form.bone = v), changed()), 'split-one'),
      boneSelect(phrase('page.other'), form.second, (v) => ((form.second = v), changed()), 'split-two'),
      ...([0, 1] as const).map((i) => {
        const bone = i === 0 ? form.bone : form.second;
        return button(phrase('page.points', { bone, i: form.seeds[i].length }), () =>
          place(phrase('page.click_points_inside_choose_look_when', { bone }), (p) => {
            form.seeds[i].push(p);
            changed();
          }), { test: `split-seeds-${i}`, key: `seeds${i}` });
      }),
      button(
        phrase('page.split'),
        () => {
          const part = { splits: [{ bones: [form.bone, form.second], seeds: { [form.bone]: form.seeds[0], [form.second]: form.seeds[1] } }] };
          form.seeds = [[], []];
          done();
          void send(part, phrase('page.split_2', { bone: form.bone, second: form.second }));
        },
        { test: 'split-do', disabled: !form.seeds[0].length || !form.seeds[1].length || form.bone === form.second },
      ),
    );
  else if (kind === 'merge') {
    const pieces = (app.state?.plan?.bodies ?? []).filter((b) => b.id.includes('.'));
    body.push(
      h('p', null, phrase('page.piece_belongs_bone_click_choose_fragment')),
      boneSelect(phrase('page.merge_joins'), form.bone, (v) => ((form.bone = v), changed()), 'merge-into'),
      button(phrase('page.point_piece'), () =>
        place(phrase('page.click_piece_joins', { bone: form.bone }), (point) => {
          done();
          void send({ merges: [{ into: form.bone, point }] }, phrase('page.piece_joined', { bone: form.bone }));
        }), { test: 'merge-place' }),
      ...pieces.map((p) =>
        button(phrase('page.join', { id: p.id, bone: form.bone }), () => void send({ merges: [{ into: form.bone, fragment: p.id }] }, phrase('page.joined', { id: p.id })), { key: p.id }),
      ),
    );
  } else if (kind === 'rename')
    body.push(
      h('p', null, phrase('page.bone_has_wrong_name_if_other')),
      boneSelect(phrase('page.called'), form.bone, (v) => ((form.bone = v), changed()), 'rename-from'),
      boneSelect(phrase('page.truth'), form.second, (v) => ((form.second = v), changed()), 'rename-to'),
      button(
        phrase('page.rename'),
        () => {
          const taken = app.state?.plan?.bodies.some((b) => b.id === form.second);
          const renames = [{ from: form.bone, to: form.second }];
          if (taken) renames.push({ from: form.second, to: form.bone });
          void send({ renames }, phrase('page.renamed', { bone: form.bone, second: form.second }));
        },
        { test: 'rename-do', disabled: form.bone === form.second },
      ),
    );
  else
    body.push(
      h('p', null, phrase('page.bone_not_used_what_needs_not')),
      boneSelect(phrase('page.leave_out'), form.bone, (v) => ((form.bone = v), changed()), 'remove-bone'),
      button(phrase('page.leave_out_2'), () => void send({ remove: [form.bone] }, phrase('page.left_out', { bone: form.bone })), { test: 'remove-do' }),
    );
  return section(
    phrase('page.correct_bones'),
    h(
      'div',
      { class: 'choice', role: 'group', 'aria-label': phrase('page.correction') },
      (
        [
          ['seed', phrase('page.correct_seed')],
          ['split', phrase('page.correct_split')],
          ['merge', phrase('page.correct_merge')],
          ['rename', phrase('page.correct_rename')],
          ['remove', phrase('page.leave_out')],
        ] as [Kind, string][]
      ).map(([k, name]) => button(name, () => pick(k), { pressed: k === kind, key: k, test: `correct-${k}` })),
    ),
    h('div', { class: 'form' }, body),
    pending(),
  );
}

function pending(): JSX.Element | null {
  const e = app.state?.edits;
  if (!e) return null;
  const rows = Object.entries(e).filter((row): row is [string, unknown[]] => Array.isArray(row[1]) && row[1].length > 0);
  if (!rows.length) return null;
  return h(
    'p',
    { class: 'pending', 'data-test': 'bone-edits' },
    phrase('page.hand_2', { k: rows.map(([k, v]) => `${v.length} ${v.length === 1 ? k.replace(/s$/, '') : k}`).join(', ') }),
    app.state?.stale ? phrase('page.not_plan_yet') : phrase('page.plan'),
  );
}

function confidence(b: Body): JSX.Element {
  const c = b.confidence;
  const words = c >= 0.9 ? phrase('page.sure') : c >= 0.6 ? phrase('page.fairly_sure') : phrase('page.doubtful');
  return h(
    'span',
    { class: c < 0.6 ? 'sure low' : 'sure' },
    c < 0.6 ? '▲ ' : '',
    words,
    ` ${Math.round(100 * c)} %`,
  );
}

function bones(): JSX.Element | null {
  const plan = app.state?.plan;
  if (!plan) return null;
  const doubtful = plan.bodies.filter((b) => b.confidence < 0.6 || b.doubt || b.by_hand);
  return section(
    phrase('page.bones_found'),
    h('p', null, phrase('page.count_found', { count: plan.bodies.length }), doubtful.length ? '' : ` ${phrase('page.nothing_doubt')}`),
    h(
      'table',
      { 'data-test': 'bones' },
      h('thead', null, h('tr', null, h('th', { scope: 'col' }, phrase('page.column_bone')), h('th', { scope: 'col' }, phrase('page.how_sure')), h('th', { scope: 'col' }, phrase('page.column_doubt')))),
      h(
        'tbody',
        null,
        [...plan.bodies]
          .sort((a, b) => a.confidence - b.confidence)
          .map((b) =>
            h(
              'tr',
              { key: b.id },
              h('th', { scope: 'row' }, h('b', null, b.id), ` ${b.name}`),
              h('td', null, confidence(b)),
              h('td', null, [b.doubt, b.by_hand ? phrase('page.corrected_hand') : ''].filter(Boolean).join('; ') || '–'),
            ),
          ),
      ),
    ),
    plan.missing.length ? h('p', { class: 'alarm', 'data-test': 'missing' }, phrase('page.not_found', { id: plan.missing.map((b) => b.id).join(', ') })) : null,
  );
}

function facts(): JSX.Element {
  const i = app.state?.images;
  const rows: [string, string][] = i
    ? [
        [phrase('page.fact_patient'), `${person(i.patient)}${i.patient_id ? ` (${i.patient_id})` : ''}`],
        [phrase('page.fact_study'), day(i.study_date)],
        [phrase('page.fact_series'), i.series || '–'],
        [phrase('page.fact_size'), phrase('page.voxels', { size: i.size.join(' × ') })],
        [phrase('page.fact_spacing'), phrase('unit.mm', { n: i.spacing_mm.map((s) => num(s, 2)).join(' × ') })],
        [phrase('page.other_foot'), i.other_foot ?? phrase('page.not_given')],
      ]
    : [];
  const preview = i?.preview && !app.state?.plan ? h('img', { class: 'preview', src: api.file(app.state!.id, i.preview), alt: phrase('page.scan_seen_dorsal') }) : null;
  return section(phrase('page.scan'), preview, h('dl', { class: 'facts' }, rows.map(([k, v]) => [h('dt', null, k), h('dd', null, v)])));
}

function films(): JSX.Element {
  const list = app.state?.films ?? [];
  return section(
    phrase('page.films_before_operation_2'),
    list.length
      ? h(
          'ul',
          { class: 'films', 'data-test': 'films' },
          list.map((f) =>
            h(
              'li',
              { key: f.id },
              app.state?.plan
                ? button(filmTitle(f), () => besides(f.id), { class: 'quiet', title: phrase('page.beside_simulated_film_2') })
                : filmTitle(f),
              f.view ? h('span', { class: 'small' }, ` ${f.name}`) : null,
              f.cautions.map((c) => h('p', { class: 'small' }, `▲ ${c}`)),
            ),
          ),
        )
      : null,
    app.readOnly ? null : h('div', { class: 'row' }, filePick(phrase('page.choose_films'), false, filmsBeside, 'pick-films-before')),
  );
}

const take = (part: 'images' | 'other') => (given: Given[]) => {
  const first = part === 'images' && app.state?.status === 'empty';
  void importImages(app.state!.id, part, given, form.series || undefined).then((ok) => {
    if (ok && first) void planNow();
  });
};

export function giveImages(): JSX.Element {
  const waiting = app.state?.uploads.images ?? [];
  return section(
    app.state?.images ? phrase('page.other_images') : phrase('page.give_images'),
    h('p', null, phrase('page.drop_folder_dicom_files_archive_one')),
    h(
      'div',
      { class: 'row' },
      filePick(phrase('page.choose_folder'), true, take('images'), 'pick-folder'),
      filePick(phrase('page.choose_archive'), false, take('images'), 'pick-archive', '.zip,.tar,.gz,.tgz,.dcm'),
    ),
    app.state?.images ? h('div', { class: 'row' }, filePick(phrase('page.other_foot_if_scanned_apart'), true, take('other'), 'pick-other')) : null,
    waiting.length
      ? h(
          'div',
          { class: 'form', key: 'waiting' },
          h('p', null, phrase('page.files_sent_not_read_yet', { waiting: waiting.length, u: bytes(waiting.reduce((s, u) => s + u.bytes, 0)) })),
          h(
            'label',
            { class: 'field' },
            h('span', null, phrase('page.series_if_several')),
            h('input', { type: 'text', value: form.series, 'data-test': 'series', onInput: (e: Event) => (form.series = (e.target as HTMLInputElement).value) }),
          ),
          h(
            'div',
            { class: 'row' },
            button(phrase('page.read_them'), () => {
              const first = app.state?.status === 'empty';
              void readUploaded(app.state!.id, 'images', form.series || undefined).then((ok) => ok && first && planNow());
            }, { test: 'read-uploaded', class: 'primary' }),
            button(phrase('page.drop_them'), () => void api.dropUpload(app.state!.id, 'images').then(refetch), { test: 'drop-uploaded' }),
          ),
        )
      : null,
  );
}

export function planAgain(): JSX.Element | null {
  const s = app.state;
  if (!s || s.status === 'empty') return null;
  const busy = !!app.job || !!app.upload;
  return section(
    s.plan ? phrase('page.plan_again') : phrase('page.plan_now'),
    s.stale ? h('p', { class: 'stale', 'data-test': 'stale' }, phrase('page.corrections_wait_new_plan_what_shown')) : null,
    h(
      'div',
      { class: 'row' },
      h(
        'label',
        { class: 'field' },
        h('span', null, phrase('page.injured_side')),
        h(
          'select',
          { value: form.side, 'data-test': 'plan-side', onChange: (e: Event) => (form.side = (e.target as HTMLSelectElement).value) },
          h('option', { value: '' }, phrase('page.scan_tells')),
          h('option', { value: 'right' }, phrase('side.right')),
          h('option', { value: 'left' }, phrase('side.left')),
        ),
      ),
      h(
        'label',
        { class: 'field' },
        h('span', null, phrase('page.rays_4_5')),
        h(
          'select',
          { value: form.lateral, 'data-test': 'plan-lateral', onChange: (e: Event) => (form.lateral = (e.target as HTMLSelectElement).value) },
          h('option', { value: '' }, phrase('page.usual')),
          h('option', { value: 'screws' }, phrase('page.screws')),
          h('option', { value: 'wires' }, phrase('page.wires')),
        ),
      ),
    ),
    button(
      s.plan ? phrase('page.plan_again') : phrase('page.plan_now'),
      () => void planNow({ ...(form.side ? { side: form.side } : {}), ...(form.lateral ? { lateral: form.lateral } : {}) }),
      { test: 'plan', class: s.stale || !s.plan ? 'primary' : '', disabled: busy },
    ),
  );
}

export function images(): (JSX.Element | null)[] {
  const s = app.state;
  if (!s) return [];
  return [
    work(),
    s.images ? facts() : null,
    cautions(phrase('page.about_scan'), s.images?.cautions),
    s.images ? null : giveImages(),
    planAgain(),
    cautions(phrase('page.found_case'), s.plan?.cautions),
    bones(),
    s.plan ? corrections() : null,
    s.images ? films() : null,
    s.images ? giveImages() : null,
  ];
}

