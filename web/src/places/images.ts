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

const kBones: [string, string][] = [
  ['M1', 'first metatarsal'],
  ['M2', 'second metatarsal'],
  ['M3', 'third metatarsal'],
  ['M4', 'fourth metatarsal'],
  ['M5', 'fifth metatarsal'],
  ['C1', 'medial cuneiform'],
  ['C2', 'intermediate cuneiform'],
  ['C3', 'lateral cuneiform'],
  ['Cub', 'cuboid'],
  ['Nav', 'navicular'],
  ['Tal', 'talus'],
  ['Cal', 'calcaneus'],
];

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
  if (await edit('bones.edit', { edits: part })) say(`${words}. It takes effect when you plan again.`);
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
      h('p', null, 'Click a point inside the bone, in a slice: what hangs together there belongs to it.'),
      boneSelect('Belongs to', form.bone, (v) => ((form.bone = v), changed()), 'seed-bone'),
      h(
        'label',
        { class: 'field', key: 'radius' },
        h('span', null, 'Radius, mm'),
        h(Field, {
          type: 'number',
          min: 0.5,
          max: 10,
          step: 0.5,
          value: form.radius,
          onChange: (e: Event) => (form.radius = Number((e.target as HTMLInputElement).value) || 1.5),
        }),
      ),
      button('Place the point', () =>
        place(`Click in a slice: the bone there is ${form.bone}.`, (point) => {
          done();
          void send({ seeds: [{ bone: form.bone, point, radius_mm: form.radius }] }, `Point for ${form.bone} placed`);
        }), { test: 'seed-place' }),
    );
  else if (kind === 'split')
    body.push(
      h('p', null, 'Two bones run together: place points in each, then split.'),
      boneSelect('One', form.bone, (v) => ((form.bone = v), changed()), 'split-one'),
      boneSelect('The other', form.second, (v) => ((form.second = v), changed()), 'split-two'),
      ...([0, 1] as const).map((i) => {
        const bone = i === 0 ? form.bone : form.second;
        return button(`Points in ${bone} (${form.seeds[i].length})`, () =>
          place(`Click points inside ${bone}; choose Look when done.`, (p) => {
            form.seeds[i].push(p);
            changed();
          }), { test: `split-seeds-${i}`, key: `seeds${i}` });
      }),
      button(
        'Split',
        () => {
          const part = { splits: [{ bones: [form.bone, form.second], seeds: { [form.bone]: form.seeds[0], [form.second]: form.seeds[1] } }] };
          form.seeds = [[], []];
          done();
          void send(part, `${form.bone} and ${form.second} split`);
        },
        { test: 'split-do', disabled: !form.seeds[0].length || !form.seeds[1].length || form.bone === form.second },
      ),
    );
  else if (kind === 'merge') {
    const pieces = (app.state?.plan?.bodies ?? []).filter((b) => b.id.includes('.'));
    body.push(
      h('p', null, 'A piece belongs to a bone: click it, or choose a fragment.'),
      boneSelect('Joins', form.bone, (v) => ((form.bone = v), changed()), 'merge-into'),
      button('Point at the piece', () =>
        place(`Click the piece that joins ${form.bone}.`, (point) => {
          done();
          void send({ merges: [{ into: form.bone, point }] }, `Piece joined to ${form.bone}`);
        }), { test: 'merge-place' }),
      ...pieces.map((p) =>
        button(`Join ${p.id} to ${form.bone}`, () => void send({ merges: [{ into: form.bone, fragment: p.id }] }, `${p.id} joined`), { key: p.id }),
      ),
    );
  } else if (kind === 'rename')
    body.push(
      h('p', null, 'The bone has the wrong name. If the other name is taken, the two are swapped.'),
      boneSelect('Is called', form.bone, (v) => ((form.bone = v), changed()), 'rename-from'),
      boneSelect('Is in truth', form.second, (v) => ((form.second = v), changed()), 'rename-to'),
      button(
        'Rename',
        () => {
          const taken = app.state?.plan?.bodies.some((b) => b.id === form.second);
          const renames = [{ from: form.bone, to: form.second }];
          if (taken) renames.push({ from: form.second, to: form.bone });
          void send({ renames }, `${form.bone} renamed to ${form.second}`);
        },
        { test: 'rename-do', disabled: form.bone === form.second },
      ),
    );
  else
    body.push(
      h('p', null, 'The bone is not to be used. What needs it is not planned.'),
      boneSelect('Leave out', form.bone, (v) => ((form.bone = v), changed()), 'remove-bone'),
      button('Leave it out', () => void send({ remove: [form.bone] }, `${form.bone} left out`), { test: 'remove-do' }),
    );
  return section(
    'Correct the bones',
    h(
      'div',
      { class: 'choice', role: 'group', 'aria-label': 'Correction' },
      (
        [
          ['seed', 'Seed'],
          ['split', 'Split'],
          ['merge', 'Merge'],
          ['rename', 'Rename'],
          ['remove', 'Leave out'],
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
    `By hand: ${rows.map(([k, v]) => `${v.length} ${v.length === 1 ? k.replace(/s$/, '') : k}`).join(', ')}.`,
    app.state?.stale ? ' Not in the plan yet.' : ' In the plan.',
  );
}

function confidence(b: Body): JSX.Element {
  const c = b.confidence;
  const words = c >= 0.9 ? 'sure' : c >= 0.6 ? 'fairly sure' : 'doubtful';
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
    'Bones found',
    h('p', null, `${plan.bodies.length} found. `, doubtful.length ? '' : 'Nothing is in doubt.'),
    h(
      'table',
      { 'data-test': 'bones' },
      h('thead', null, h('tr', null, h('th', { scope: 'col' }, 'Bone'), h('th', { scope: 'col' }, 'How sure'), h('th', { scope: 'col' }, 'Doubt'))),
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
              h('td', null, [b.doubt, b.by_hand ? 'corrected by hand' : ''].filter(Boolean).join('; ') || '–'),
            ),
          ),
      ),
    ),
    plan.missing.length ? h('p', { class: 'alarm', 'data-test': 'missing' }, `▲ Not found: ${plan.missing.map((b) => b.id).join(', ')}.`) : null,
  );
}

function facts(): JSX.Element {
  const i = app.state?.images;
  const rows: [string, string][] = i
    ? [
        ['Patient', `${person(i.patient)}${i.patient_id ? ` (${i.patient_id})` : ''}`],
        ['Study', day(i.study_date)],
        ['Series', i.series || '–'],
        ['Size', `${i.size.join(' × ')} voxels`],
        ['Spacing', `${i.spacing_mm.map((s) => num(s, 2)).join(' × ')} mm`],
        ['Other foot', i.other_foot ?? 'not given'],
      ]
    : [];
  const preview = i?.preview && !app.state?.plan ? h('img', { class: 'preview', src: api.file(app.state!.id, i.preview), alt: 'The scan, seen from dorsal' }) : null;
  return section('The scan', preview, h('dl', { class: 'facts' }, rows.map(([k, v]) => [h('dt', null, k), h('dd', null, v)])));
}

function films(): JSX.Element {
  const list = app.state?.films ?? [];
  return section(
    'Films before the operation',
    list.length
      ? h(
          'ul',
          { class: 'films', 'data-test': 'films' },
          list.map((f) =>
            h(
              'li',
              { key: f.id },
              app.state?.plan
                ? button(filmTitle(f), () => besides(f.id), { class: 'quiet', title: 'Beside the simulated film' })
                : filmTitle(f),
              f.view ? h('span', { class: 'small' }, ` ${f.name}`) : null,
              f.cautions.map((c) => h('p', { class: 'small' }, `▲ ${c}`)),
            ),
          ),
        )
      : null,
    app.readOnly ? null : h('div', { class: 'row' }, filePick('Choose films', false, filmsBeside, 'pick-films-before')),
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
    app.state?.images ? 'Other images' : 'Give the images',
    h('p', null, 'Drop a folder of DICOM files or an archive of one anywhere, or choose it.'),
    h(
      'div',
      { class: 'row' },
      filePick('Choose a folder', true, take('images'), 'pick-folder'),
      filePick('Choose an archive', false, take('images'), 'pick-archive', '.zip,.tar,.gz,.tgz,.dcm'),
    ),
    app.state?.images ? h('div', { class: 'row' }, filePick('The other foot, if scanned apart', true, take('other'), 'pick-other')) : null,
    waiting.length
      ? h(
          'div',
          { class: 'form', key: 'waiting' },
          h('p', null, `${waiting.length} files (${bytes(waiting.reduce((s, u) => s + u.bytes, 0))}) were sent and not read yet.`),
          h(
            'label',
            { class: 'field' },
            h('span', null, 'Series, if there are several'),
            h('input', { type: 'text', value: form.series, 'data-test': 'series', onInput: (e: Event) => (form.series = (e.target as HTMLInputElement).value) }),
          ),
          h(
            'div',
            { class: 'row' },
            button('Read them', () => {
              const first = app.state?.status === 'empty';
              void readUploaded(app.state!.id, 'images', form.series || undefined).then((ok) => ok && first && planNow());
            }, { test: 'read-uploaded', class: 'primary' }),
            button('Drop them', () => void api.dropUpload(app.state!.id, 'images').then(refetch), { test: 'drop-uploaded' }),
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
    s.plan ? 'Plan again' : 'Plan',
    s.stale ? h('p', { class: 'stale', 'data-test': 'stale' }, '▲ Corrections wait for a new plan. What is shown is the old one.') : null,
    h(
      'div',
      { class: 'row' },
      h(
        'label',
        { class: 'field' },
        h('span', null, 'Injured side'),
        h(
          'select',
          { value: form.side, 'data-test': 'plan-side', onChange: (e: Event) => (form.side = (e.target as HTMLSelectElement).value) },
          h('option', { value: '' }, 'as the scan tells'),
          h('option', { value: 'right' }, 'right'),
          h('option', { value: 'left' }, 'left'),
        ),
      ),
      h(
        'label',
        { class: 'field' },
        h('span', null, 'Rays 4 and 5'),
        h(
          'select',
          { value: form.lateral, 'data-test': 'plan-lateral', onChange: (e: Event) => (form.lateral = (e.target as HTMLSelectElement).value) },
          h('option', { value: '' }, 'as usual'),
          h('option', { value: 'screws' }, 'screws'),
          h('option', { value: 'wires' }, 'wires'),
        ),
      ),
    ),
    button(
      s.plan ? 'Plan again' : 'Plan',
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
    cautions('About the scan', s.images?.cautions),
    s.images ? null : giveImages(),
    planAgain(),
    cautions('Found in this case', s.plan?.cautions),
    bones(),
    s.plan ? corrections() : null,
    s.images ? films() : null,
    s.images ? giveImages() : null,
  ];
}

