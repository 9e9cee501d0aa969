// Small pieces used in several places.
import { h, type ComponentChildren, type JSX } from 'preact';
import { app, changed, dismiss, jobWords, told } from './store';
import { api } from './api';
import { picked, type Given } from './upload';
import type { Caution } from './types';
import { sourceOf, textOf } from './words';
import { phrase } from './phrases';

export const button = (
  words: ComponentChildren,
  act: () => void,
  options: { test?: string; class?: string; disabled?: boolean; title?: string; pressed?: boolean; key?: string } = {},
): JSX.Element =>
  h(
    'button',
    {
      type: 'button',
      onClick: act,
      class: options.class,
      disabled: options.disabled ?? false,
      title: options.title,
      key: options.key,
      'data-test': options.test,
      'aria-pressed': options.pressed === undefined ? undefined : String(options.pressed),
    },
    words,
  );

/** One of several. */
export function choice<T extends string>(
  label: string,
  items: { id: T; name: string }[],
  now: T | null,
  pick: (id: T) => void,
  test: string,
): JSX.Element {
  return h(
    'div',
    { class: 'choice', role: 'group', 'aria-label': label },
    items.map((i) => button(i.name, () => pick(i.id), { pressed: i.id === now, test: `${test}-${i.id}`, key: i.id })),
  );
}

export const section = (title: string, ...body: ComponentChildren[]): JSX.Element =>
  h('section', { class: 'block', key: `s-${title}` }, h('h2', null, title), ...body);

/** Buttons that open a folder or files; the input itself is hidden but reachable through its label button. */
export function filePick(words: string, folder: boolean, take: (given: Given[]) => void, test: string, accept?: string): JSX.Element {
  return h(
    'label',
    { class: 'file', key: test },
    h('span', null, words),
    h('input', {
      type: 'file',
      multiple: true,
      webkitdirectory: folder || undefined,
      accept,
      'data-test': test,
      onChange: (e: Event) => {
        const input = e.target as HTMLInputElement;
        const given = picked(input.files);
        input.value = '';
        take(given);
      },
    }),
  );
}

export function cautions(title: string, list: (string | Caution)[] | undefined): JSX.Element | null {
  if (!list?.length) return null;
  return h(
    'section',
    { class: 'cautions', 'aria-label': title, key: title },
    h('h2', null, h('span', { 'aria-hidden': 'true' }, '▲ '), title),
    h(
      'ul',
      null,
      list.map((c) => h('li', null, textOf(c), sourceOf(c) ? h('span', { class: 'source' }, ` ${sourceOf(c)}`) : null)),
    ),
  );
}

/** What was changed by hand and could not be kept, or is not fully known. */
export const leftOut = (): JSX.Element | null => cautions(phrase('page.edits_hand'), app.state?.cautions);

export const progress = (words: string, fraction: number | null | undefined, stop: (() => void) | null): JSX.Element =>
  h(
    'div',
    { class: 'progress', role: 'status', 'data-test': 'progress' },
    h('span', { class: 'words' }, words),
    h('progress', { max: 1, value: fraction ?? undefined, 'aria-label': words }),
    typeof fraction === 'number' ? h('span', { class: 'percent' }, `${Math.round(100 * fraction)} %`) : null,
    stop ? button(phrase('page.stop'), stop, { test: 'stop-job' }) : null,
  );

export function work(): JSX.Element | null {
  const u = app.upload;
  if (u) return progress(phrase('page.sending_files'), u.total ? u.done / u.total : null, u.stop);
  const j = app.job;
  if (!j || j.state !== 'running') return null;
  const words = j.stage ? phrase('page.job_stage', { job: jobWords(j.kind), stage: phrase(`progress.${j.stage}`) }) : jobWords(j.kind);
  return progress(words, j.fraction, app.readOnly ? null : () => void api.stop(j.job).catch(told));
}

/** The part of the case, not where the library keeps it. */
const placeOf = (where: string): string => where.replace(/^\S*\/cases\/[^/]+\/(?:\.work\/)?/, '');

export function troubles(): JSX.Element {
  return h(
    'div',
    { class: 'troubles', 'aria-live': 'assertive', role: 'alert' },
    !app.connected &&
      h(
        'div',
        { class: 'trouble lost', key: 'lost', 'data-test': 'lost' },
        h('b', null, phrase('page.no_connection_workstation')),
        phrase('page.what_saved_safe_trying_again_check'),
        app.saving > 0 ? h('b', null, phrase('page.not_saved_yet_sent_soon_back', { are: app.saving === 1 ? phrase('page.one_change') : phrase('page.changes', { saving: app.saving }) })) : null,
      ),
    app.errors.map((e) =>
      h(
        'div',
        { class: 'trouble', key: e.what, 'data-test': 'error' },
        h('div', null, h('b', null, e.what), e.where ? h('span', { class: 'where' }, ` (${placeOf(e.where)})`) : null, e.remedy ? h('p', null, e.remedy) : null),
        button(phrase('page.close'), () => dismiss(e), { class: 'quiet', test: 'error-close' }),
      ),
    ),
  );
}

function answer(act: () => void): void {
  app.question = null;
  act();
  changed();
}

/** One and the same function whenever the page is drawn, so that it is called once only, with the dialog in the page. */
const open = (dialog: HTMLDialogElement | null): void => dialog?.showModal();

/** Before something is replaced. */
export function question(): JSX.Element | null {
  const q = app.question;
  if (!q) return null;
  return h(
    'dialog',
    {
      class: 'question',
      key: 'question',
      'aria-label': q.words,
      ref: open,
      onCancel: () => answer(() => undefined),
    },
    h('p', null, q.words),
    h('div', { class: 'row' }, q.answers.map((a) => button(a.words, () => answer(a.act), { test: a.test, key: a.test })), button(phrase('page.cancel'), () => answer(() => undefined), { test: 'answer-cancel', key: 'cancel' })),
  );
}
