// The list of cases: find one, begin one, drop images for one.
import { api } from './api';
import { h, type VNode } from './h';
import { app, changed, told } from './store';
import type { CaseSummary } from './types';
import type { Given } from './upload';
import { filePick, troubles, work } from './widgets';
import { clock, person } from './words';

export const list = { cases: null as CaseSummary[] | null, search: '', name: '', hidden: false };

export async function loadCases(): Promise<void> {
  try {
    const wanted = list.search;
    const cases = await api.cases(wanted, list.hidden);
    if (wanted === list.search) list.cases = cases;
    app.connected = true;
    changed();
  } catch (error) {
    told(error);
  }
}

let timer = 0;
function search(text: string): void {
  list.search = text;
  window.clearTimeout(timer);
  timer = window.setTimeout(() => void loadCases(), 180);
}

const text = (v: unknown): string => (typeof v === 'string' ? v : '');

function patternOf(c: CaseSummary): string {
  const p = c.summary?.['pattern'] ?? c.summary?.['patterns'];
  if (typeof p === 'string') return /^([A-C][12]?|cannot be told)$/.test(p) ? `Myerson ${p}` : p;
  if (p && typeof p === 'object') {
    const q = p as { quenu_kuss?: string; myerson?: string };
    return [q.quenu_kuss, q.myerson ? `Myerson ${q.myerson}` : ''].filter(Boolean).join(', ');
  }
  return '';
}

const kStatus: Record<string, string> = { empty: '◇ no images yet', imported: '◐ images read', planned: '● planned' };

function card(c: CaseSummary, open: (id: string) => void): VNode {
  const s = c.summary ?? {};
  const patient = text(s.patient);
  const side = text(s.side);
  const pattern = patternOf(c);
  return h(
    'li',
    { key: c.id },
    h(
      'a.case',
      {
        href: `#${c.id}`,
        'data-test': `case-${c.id}`,
        onclick: (e: MouseEvent) => {
          if (e.ctrlKey || e.metaKey || e.shiftKey) return;
          e.preventDefault();
          open(c.id);
        },
      },
      text(s.status) === 'planned' || text(s.status) === 'imported'
        ? h('img', { src: api.thumbnail(c.id, c.seq), alt: '', loading: 'lazy', width: 120, height: 120 })
        : h('span.noimage', { 'aria-hidden': 'true' }, '◇'),
      h(
        'span.about',
        null,
        h('strong', null, c.name),
        patient ? h('span', null, `${person(patient)}${side ? `, ${side} foot` : ''}`) : side ? h('span', null, `${side} foot`) : null,
        pattern ? h('span.pattern', null, pattern) : null,
        h('span.status', null, kStatus[text(s.status)] ?? '◇ no images yet'),
        text(s.notes) ? h('span.notes', null, text(s.notes)) : null,
        h('span.small', null, clock(c.updated)),
      ),
    ),
  );
}

/** The name that was typed, for the case that is begun now. */
export function typedName(): string {
  const name = list.name.trim();
  list.name = '';
  return name;
}

export function caseList(open: (id: string) => void, begin: (given: Given[], name: string) => void): VNode[] {
  return [
    h('a.skip', { href: '#cases', key: 'skip' }, 'To the cases'),
    h(
      'header.list-head',
      { key: 'head' },
      h('h1', null, 'Rayset'),
      h(
        'label.search',
        null,
        h('span', null, 'Find'),
        h('input', { type: 'search', value: list.search, 'data-test': 'search', placeholder: 'name, patient, pattern, notes', oninput: (e: Event) => search((e.target as HTMLInputElement).value) }),
      ),
    ),
    troubles(),
    h(
      'main.list',
      { key: 'list', id: 'cases' },
      work(),
      h(
        'section.begin',
        { 'aria-label': 'New case' },
        h('h2', null, 'A new case'),
        h('p', null, 'Drop a folder of DICOM CT, or an archive of one, anywhere on this page. Nothing leaves this computer.'),
        h(
          'div.row',
          null,
          filePick('Choose a folder', true, (g) => begin(g, typedName()), 'new-folder'),
          filePick('Choose an archive', false, (g) => begin(g, typedName()), 'new-archive', '.zip,.tar,.gz,.tgz,.dcm'),
          h(
            'form.row',
            {
              onsubmit: (e: Event) => {
                e.preventDefault();
                begin([], typedName() || 'New case');
              },
            },
            h('label.field', null, h('span', null, 'Name, if it should have one'), h('input', { type: 'text', value: list.name, 'data-test': 'new-name', oninput: (e: Event) => ((list.name = (e.target as HTMLInputElement).value), changed()) })),
            h('button', { type: 'submit', 'data-test': 'new-case' }, 'New case'),
          ),
        ),
      ),
      h('h2', null, 'Cases'),
      h(
        'label.tick',
        { key: 'hidden' },
        h('input', {
          type: 'checkbox',
          checked: list.hidden,
          'data-test': 'show-hidden',
          onchange: (e: Event) => {
            list.hidden = (e.target as HTMLInputElement).checked;
            void loadCases();
          },
        }),
        'Also those taken off the list',
      ),
      list.cases === null
        ? h('p', { key: 'wait' }, 'Looking …')
        : list.cases.length
          ? h('ul.cases', { key: 'cases', 'data-test': 'cases' }, list.cases.map((c) => card(c, open)))
          : h('p', { key: 'none' }, list.search ? 'No case holds these words.' : 'No case yet. Drop the first.'),
    ),
    h('footer.advice', { key: 'advice' }, app.advice, app.version ? ` Rayset ${app.version}.` : ''),
    h('div.hidden', { 'aria-live': 'polite', key: 'said' }, app.said),
  ];
}

