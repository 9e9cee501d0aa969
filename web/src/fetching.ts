// Files that the server makes while one waits: a film, a report, an archive. Said while it lasts; can be stopped.
import { h, type JSX } from 'preact';
import { api } from './api';
import { changed, say, showError, told } from './store';
import { button } from './widgets';
import { bytes } from './words';
import { phrase } from './phrases';

interface Fetching {
  since: number;
  got: number;
  stop: AbortController;
}
const under = new Map<string, Fetching>();
const saved = new Map<string, string>(); // what came of it, by address
let clock = 0;

function tick(): void {
  window.clearInterval(clock);
  if (under.size) clock = window.setInterval(changed, 1000);
}

/** Of an answer of any length, piece by piece, so that what has come can be told. */
async function read(response: Response, f: Fetching): Promise<Blob> {
  const reader = response.body?.getReader();
  if (!reader) return response.blob();
  const parts: Uint8Array<ArrayBuffer>[] = [];
  for (;;) {
    const { done, value } = await reader.read();
    if (done) break;
    parts.push(value);
    f.got += value.length;
  }
  return new Blob(parts, { type: response.headers.get('Content-Type') ?? 'application/octet-stream' });
}

/** As the server calls it, else the end of the address. */
function nameOf(response: Response, path: string): string {
  const said = /filename="([^"]+)"/.exec(response.headers.get('Content-Disposition') ?? '')?.[1];
  return said ?? decodeURIComponent(path.split('?')[0]!.split('/').pop() ?? 'file');
}

function keep(blob: Blob, name: string): void {
  const url = URL.createObjectURL(blob);
  const a = document.createElement('a');
  a.href = url;
  a.download = name;
  document.body.append(a);
  a.click();
  a.remove();
  window.setTimeout(() => URL.revokeObjectURL(url), 60_000);
}

async function fetchFile(path: string, words: string): Promise<void> {
  if (under.has(path)) return;
  const f: Fetching = { since: Date.now(), got: 0, stop: new AbortController() };
  under.set(path, f);
  saved.delete(path);
  tick();
  say(phrase('page.being_made', { words }));
  try {
    const response = await api.get(path, f.stop.signal);
    const blob = await read(response, f);
    const name = nameOf(response, path);
    keep(blob, name);
    saved.set(path, `${name}, ${bytes(blob.size)}`);
    say(`${words}: saved`);
  } catch (error) {
    if (error instanceof TypeError) showError({ what: phrase('page.broke_off_before_whole', { words }), remedy: phrase('page.nothing_saved_try_again') });
    else told(error);
  } finally {
    under.delete(path);
    tick();
    changed();
  }
}

/** A link to a file that is fetched in sight; the browser's own ways with links (new tab, save as) stay. */
export function fetchLink(path: string, words: string, note = ''): (JSX.Element | string)[] {
  const f = under.get(path);
  const done = saved.get(path);
  const seconds = f ? Math.round((Date.now() - f.since) / 1000) : 0;
  return [
    h(
      'a',
      {
        href: path,
        key: path,
        'aria-busy': f ? 'true' : undefined,
        onClick: (e: MouseEvent) => {
          if (e.ctrlKey || e.metaKey || e.shiftKey || e.altKey || e.button !== 0) return;
          e.preventDefault();
          void fetchFile(path, words);
        },
      },
      words,
    ),
    note ? h('span', { class: 'small', key: 'note' }, ` ${note}`) : '',
    f
      ? h(
          'span',
          { class: 'making', key: 'making', 'data-test': 'making' },
          h('progress', { 'aria-label': phrase('page.being_made_2', { words }) }),
          f.got ? phrase('page.have_come', { got: bytes(f.got), seconds }) : phrase('page.being_made_3', { seconds }),
          button(phrase('page.stop'), () => f.stop.abort(), { class: 'quiet', title: phrase('page.stop_2', { words }) }),
        )
      : done
        ? h('span', { class: 'small', key: 'done', 'data-test': 'made' }, ` ✓ saved (${done})`)
        : '',
  ];
}
