// The list of cases: find one, begin one, drop images for one.
import { h, type JSX } from 'preact';
import { api } from './api';
import { app, changed, told } from './store';
import type { CaseSummary } from './types';
import type { Given } from './upload';
import { filePick, troubles, work } from './widgets';
import { clock, person } from './words';
import { phrase } from './phrases';

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

const patternWords = (p = ''): string => (/^([A-C][12]?|cannot be told)$/.test(p) ? phrase('page.myerson', { p }) : p);

const kStatus = { empty: phrase('page.no_images_yet'), imported: phrase('page.status_read'), planned: phrase('page.status_planned') };

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
        patient ? h('span', null, side ? phrase('page.person_foot', { person: person(patient), foot: phrase(`page.foot_${side}`) }) : person(patient)) : side ? h('span', null, phrase(`page.foot_${side}`)) : null,
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
    h('a', { class: 'skip', href: '#cases', key: 'skip' }, phrase('page.cases')),
    h(
      'header',
      { class: 'list-head', key: 'head' },
      h('h1', null, phrase('page.rayset')),
      h(
        'label',
        { class: 'search' },
        h('span', null, phrase('page.find')),
        h('input', { type: 'search', value: list.search, 'data-test': 'search', placeholder: phrase('page.name_patient_pattern_notes'), onInput: (e: Event) => search((e.target as HTMLInputElement).value) }),
      ),
    ),
    troubles(),
    h(
      'main',
      { class: 'list', key: 'list', id: 'cases' },
      work(),
      h(
        'section',
        { class: 'begin', 'aria-label': phrase('page.new_case') },
        h('h2', null, phrase('page.new_case_2')),
        h('p', null, phrase('page.drop_folder_dicom_ct_archive_one')),
        h(
          'div',
          { class: 'row' },
          filePick(phrase('page.choose_folder'), true, (g) => begin(g, typedName()), 'new-folder'),
          filePick(phrase('page.choose_archive'), false, (g) => begin(g, typedName()), 'new-archive', '.zip,.tar,.gz,.tgz,.dcm'),
          h(
            'form',
            {
              class: 'row',
              onSubmit: (e: Event) => {
                e.preventDefault();
                begin([], typedName() || phrase('page.new_case'));
              },
            },
            h('label', { class: 'field' }, h('span', null, phrase('page.name_if_should_have_one')), h('input', { type: 'text', value: list.name, 'data-test': 'new-name', onInput: (e: Event) => ((list.name = (e.target as HTMLInputElement).value), changed()) })),
            h('button', { type: 'submit', 'data-test': 'new-case' }, phrase('page.new_case')),
          ),
        ),
      ),
      h('h2', null, phrase('page.cases_2')),
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
        phrase('page.also_those_taken_off_list'),
      ),
      list.cases === null
        ? h('p', { key: 'wait' }, phrase('page.looking'))
        : list.cases.length
          ? h('ul', { class: 'cases', key: 'cases', 'data-test': 'cases' }, list.cases.map((c) => card(c, open)))
          : h('p', { key: 'none' }, list.search ? phrase('page.no_case_holds_these_words') : phrase('page.no_case_yet_drop_first')),
    ),
    h('footer', { class: 'advice', key: 'advice' }, app.advice, app.version ? phrase('page.rayset_2', { version: app.version }) : ''),
    h('div', { class: 'hidden', 'aria-live': 'polite', key: 'said' }, app.said),
  ];
}

