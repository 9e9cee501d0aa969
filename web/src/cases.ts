// The list of cases: find one, begin one, drop images for one.
import { h, type JSX } from 'preact';
import { api } from './api';
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

const patternWords = (p = ''): string => (/^([A-C][12]?|cannot be told)$/.test(p) ? `Myerson ${p}` : p);

const kStatus = { empty: '◇ no images yet', imported: '◐ images read', planned: '● planned' };

function card(c: CaseSummary, open: (id: string) => void): JSX.Element {
  const { patient, side, notes, status = 'empty', ...s } = c.summary;
  const pattern = patternWords(s.pattern);
  return h(
    'li',
    { key: c.id },
    h(
      'a',
      {
        class: 'case',
        href: `#${c.id}`,
        'data-test': `case-${c.id}`,
        onClick: (e: MouseEvent) => {
          if (e.ctrlKey || e.metaKey || e.shiftKey) return;
          e.preventDefault();
          open(c.id);
        },
      },
      status !== 'empty'
        ? h('img', { src: api.thumbnail(c.id, c.seq), alt: '', loading: 'lazy', width: 120, height: 120 })
        : h('span', { class: 'noimage', 'aria-hidden': 'true' }, '◇'),
      h(
        'span',
        { class: 'about' },
        h('strong', null, c.name),
        patient ? h('span', null, `${person(patient)}${side ? `, ${side} foot` : ''}`) : side ? h('span', null, `${side} foot`) : null,
        pattern ? h('span', { class: 'pattern' }, pattern) : null,
        h('span', { class: 'status' }, kStatus[status]),
        notes ? h('span', { class: 'notes' }, notes) : null,
        h('span', { class: 'small' }, clock(c.updated)),
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

export function caseList(open: (id: string) => void, begin: (given: Given[], name: string) => void): JSX.Element[] {
  return [
    h('a', { class: 'skip', href: '#cases', key: 'skip' }, 'To the cases'),
    h(
      'header',
      { class: 'list-head', key: 'head' },
      h('h1', null, 'Rayset'),
      h(
        'label',
        { class: 'search' },
        h('span', null, 'Find'),
        h('input', { type: 'search', value: list.search, 'data-test': 'search', placeholder: 'name, patient, pattern, notes', onInput: (e: Event) => search((e.target as HTMLInputElement).value) }),
      ),
    ),
    troubles(),
    h(
      'main',
      { class: 'list', key: 'list', id: 'cases' },
      work(),
      h(
        'section',
        { class: 'begin', 'aria-label': 'New case' },
        h('h2', null, 'A new case'),
        h('p', null, 'Drop a folder of DICOM CT, or an archive of one, anywhere on this page. Nothing leaves this computer.'),
        h(
          'div',
          { class: 'row' },
          filePick('Choose a folder', true, (g) => begin(g, typedName()), 'new-folder'),
          filePick('Choose an archive', false, (g) => begin(g, typedName()), 'new-archive', '.zip,.tar,.gz,.tgz,.dcm'),
          h(
            'form',
            {
              class: 'row',
              onSubmit: (e: Event) => {
                e.preventDefault();
                begin([], typedName() || 'New case');
              },
            },
            h('label', { class: 'field' }, h('span', null, 'Name, if it should have one'), h('input', { type: 'text', value: list.name, 'data-test': 'new-name', onInput: (e: Event) => ((list.name = (e.target as HTMLInputElement).value), changed()) })),
            h('button', { type: 'submit', 'data-test': 'new-case' }, 'New case'),
          ),
        ),
      ),
      h('h2', null, 'Cases'),
      h(
        'label',
        { class: 'tick', key: 'hidden' },
        h('input', {
          type: 'checkbox',
          checked: list.hidden,
          'data-test': 'show-hidden',
          onChange: (e: Event) => {
            list.hidden = (e.target as HTMLInputElement).checked;
            void loadCases();
          },
        }),
        'Also those taken off the list',
      ),
      list.cases === null
        ? h('p', { key: 'wait' }, 'Looking …')
        : list.cases.length
          ? h('ul', { class: 'cases', key: 'cases', 'data-test': 'cases' }, list.cases.map((c) => card(c, open)))
          : h('p', { key: 'none' }, list.search ? 'No case holds these words.' : 'No case yet. Drop the first.'),
    ),
    h('footer', { class: 'advice', key: 'advice' }, app.advice, app.version ? ` Rayset ${app.version}.` : ''),
    h('div', { class: 'hidden', 'aria-live': 'polite', key: 'said' }, app.said),
  ];
}

