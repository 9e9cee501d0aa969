// Small pieces used in several places.
import { h, type Child, type VNode } from './h';
import { app, changed, dismiss, jobWords, told } from './store';
import { api } from './api';
import { picked, type Given } from './upload';
import type { Caution } from './types';
import { sourceOf, textOf } from './words';

export const button = (
  words: Child,
  onclick: () => void,
  options: { test?: string; class?: string; disabled?: boolean; title?: string; pressed?: boolean; key?: string } = {},
): VNode =>
  h(
    'button',
    {
      type: 'button',
      onclick,
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
): VNode {
  return h(
    'div.choice',
    { role: 'group', 'aria-label': label },
    items.map((i) => button(i.name, () => pick(i.id), { pressed: i.id === now, test: `${test}-${i.id}`, key: i.id })),
  );
}

export const section = (title: string, ...body: Child[]): VNode =>
  h('section.block', { key: `s-${title}` }, h('h2', null, title), ...body);

/** Buttons that open a folder or files; the input itself is hidden but reachable through its label button. */
export function filePick(words: string, folder: boolean, take: (given: Given[]) => void, test: string, accept?: string): VNode {
  return h(
    'label.file',
    { key: test },
    h('span', null, words),
    h('input', {
      type: 'file',
      multiple: true,
      webkitdirectory: folder || undefined,
      accept,
      'data-test': test,
      onchange: (e: Event) => {
        const input = e.target as HTMLInputElement;
        const given = picked(input.files);
        input.value = '';
        take(given);
      },
    }),
  );
}

export function cautions(title: string, list: (string | Caution)[] | undefined): VNode | null {
  if (!list?.length) return null;
  return h(
    'section.cautions',
    { 'aria-label': title, key: title },
    h('h2', null, h('span', { 'aria-hidden': 'true' }, '▲ '), title),
    h(
      'ul',
      null,
      list.map((c) => h('li', null, textOf(c), sourceOf(c) ? h('span.source', null, ` ${sourceOf(c)}`) : null)),
    ),
  );
}

export const progress = (words: string, fraction: number | null | undefined, stop: (() => void) | null): VNode =>
  h(
    'div.progress',
    { role: 'status', 'data-test': 'progress' },
    h('span.words', null, words),
    h('progress', { max: 1, value: fraction ?? undefined, 'aria-label': words }),
    typeof fraction === 'number' ? h('span.percent', null, `${Math.round(100 * fraction)} %`) : null,
    stop ? button('Stop', stop, { test: 'stop-job' }) : null,
  );

export function work(): VNode | null {
  const u = app.upload;
  if (u) return progress('Sending the files', u.total ? u.done / u.total : null, u.stop);
  const j = app.job;
  if (!j || j.state !== 'running') return null;
  const stage = j.stage ? `: ${j.stage}` : '';
  return progress(`${jobWords(j.kind)}${stage}`, j.fraction ?? null, app.readOnly ? null : () => void api.stop(j.job).catch(told));
}

/** The part of the case, not where the library keeps it. */
const placeOf = (where: string): string => where.replace(/^\S*\/cases\/[^/]+\/(?:\.work\/)?/, '');

export function troubles(): VNode {
  return h(
    'div.troubles',
    { 'aria-live': 'assertive', role: 'alert' },
    !app.connected &&
      h(
        'div.trouble.lost',
        { key: 'lost', 'data-test': 'lost' },
        h('b', null, 'No connection to the workstation.'),
        ' What was saved is safe. Trying again; check that `rayset serve` is running.',
        app.saving > 0 ? h('b', null, ` ▲ ${app.saving === 1 ? 'One change is' : `${app.saving} changes are`} not saved yet: sent as soon as it is back. Leave this page open.`) : null,
      ),
    app.errors.map((e) =>
      h(
        'div.trouble',
        { key: e.what, 'data-test': 'error' },
        h('div', null, h('b', null, e.what), e.where ? h('span.where', null, ` (${placeOf(e.where)})`) : null, e.remedy ? h('p', null, e.remedy) : null),
        button('Close', () => dismiss(e), { class: 'quiet', test: 'error-close' }),
      ),
    ),
  );
}

function answer(act: () => void): void {
  app.question = null;
  act();
  changed();
}

/** Before something is replaced. */
export function question(): VNode | null {
  const q = app.question;
  if (!q) return null;
  return h(
    'dialog.question',
    {
      key: 'question',
      'aria-label': q.words,
      ref: (e: Element) => queueMicrotask(() => (e as HTMLDialogElement).showModal()),
      oncancel: () => answer(() => undefined),
    },
    h('p', null, q.words),
    h('div.row', null, q.answers.map((a) => button(a.words, () => answer(a.act), { test: a.test, key: a.test })), button('Cancel', () => answer(() => undefined), { test: 'answer-cancel', key: 'cancel' })),
  );
}
