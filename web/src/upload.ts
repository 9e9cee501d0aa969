// Files given to the page: dropped folders, chosen folders, archives. Sent one by one, a few at a time.
import { api } from './api';
import { app, changed, jobEnd, say, set, showError, take, told } from './store';
import type { Part } from './types';
import { phrase } from './phrases';

export interface Given {
  path: string;
  file: File;
}

interface Entry {
  isFile: boolean;
  isDirectory: boolean;
  fullPath: string;
  file?: (ok: (f: File) => void, bad: (e: unknown) => void) => void;
  createReader?: () => { readEntries: (ok: (e: Entry[]) => void, bad: (e: unknown) => void) => void };
}

async function walk(entry: Entry, into: Given[]): Promise<void> {
  if (entry.isFile && entry.file) {
    const file = await new Promise<File>((ok, bad) => entry.file!(ok, bad));
    into.push({ path: entry.fullPath.replace(/^\//, ''), file });
    return;
  }
  if (!entry.isDirectory || !entry.createReader) return;
  const reader = entry.createReader();
  // A reader gives a folder in pieces until it gives nothing.
  for (;;) {
    const some = await new Promise<Entry[]>((ok, bad) => reader.readEntries(ok, bad));
    if (!some.length) return;
    for (const e of some) await walk(e, into);
  }
}

export async function dropped(transfer: DataTransfer): Promise<Given[]> {
  // Entries must be taken before the first wait: the list is emptied after the event.
  const entries = [...transfer.items]
    .map((i) => (i.kind === 'file' ? (i.webkitGetAsEntry() as unknown as Entry | null) : null))
    .filter((e): e is Entry => !!e);
  const loose = entries.length ? [] : [...transfer.files].map((file) => ({ path: file.name, file }));
  const out: Given[] = [...loose];
  for (const e of entries) await walk(e, out);
  return clean(out);
}

export const picked = (files: FileList | null): Given[] =>
  clean([...(files ?? [])].map((file) => ({ path: file.webkitRelativePath || file.name, file })));

/** Without what systems leave in folders. */
const clean = (given: Given[]): Given[] =>
  given.filter((g) => !/(^|\/)(\.|__MACOSX|Thumbs\.db|desktop\.ini)/i.test(g.path) && g.file.size > 0);

/** A name the folder can hold: the path, with what is not letters or figures replaced; the order is kept. */
function flatName(path: string, index: number): string {
  const safe = path.replace(/[^A-Za-z0-9._-]+/g, '_').replace(/^[._]+/, '').slice(-80);
  return `${String(index + 1).padStart(5, '0')}_${safe || 'file'}`;
}

/** The folder's name, or the file's without its ending; for a new case. */
export function suggestedName(given: Given[]): string {
  const first = given[0]?.path ?? '';
  const top = first.includes('/') ? first.split('/')[0]! : first.replace(/\.[A-Za-z0-9.]{1,8}$/, '');
  return top.slice(0, 80) || phrase('page.new_case');
}

/** True when everything is on the server. */
export async function send(id: string, part: Part, given: Given[]): Promise<boolean> {
  if (app.upload) {
    say(phrase('page.files_being_sent_already_wait_them'));
    return false;
  }
  const stop = new AbortController();
  const total = given.reduce((s, g) => s + g.file.size, 0);
  set({ upload: { done: 0, total, part, stop: () => stop.abort() } });
  let next = 0;
  let failed: unknown = null;
  const worker = async (): Promise<void> => {
    while (next < given.length && !failed) {
      const i = next++;
      const g = given[i]!;
      try {
        await api.put(id, part, flatName(g.path, i), g.file, stop.signal);
      } catch (error) {
        failed ??= error;
        return;
      }
      if (app.upload) app.upload.done += g.file.size;
      changed();
    }
  };
  await Promise.all([worker(), worker(), worker()]);
  set({ upload: null });
  if (!failed) return true;
  stop.abort();
  await api.dropUpload(id, part).catch(() => undefined);
  if (failed instanceof DOMException && failed.name === 'AbortError') say(phrase('page.stopped_what_sent_dropped'));
  else told(failed);
  return false;
}

/** Sends and reads images; true when they are in the case. */
export async function importImages(id: string, part: 'images' | 'other', given: Given[], series?: string): Promise<boolean> {
  if (!given.length) {
    showError({
      what: phrase('page.no_files_what_given'),
      where: 'images',
      remedy: phrase('page.give_folder_dicom_files_zip_tar'),
    });
    return false;
  }
  if (!(await send(id, part, given))) return false;
  return readUploaded(id, part, series);
}

/** Real films taken before the operation, kept in the case; true when they are there. */
export async function giveFilms(given: Given[]): Promise<boolean> {
  const id = app.state?.id;
  if (!id || !given.length || !(await send(id, 'films', given))) return false;
  if (!(await readUploaded(id, 'films'))) {
    await api.dropUpload(id, 'films').catch(() => undefined);
    return false;
  }
  take(await api.state(id));
  return true;
}

export async function readUploaded(id: string, part: Part, series?: string): Promise<boolean> {
  try {
    const { job } = await api.import(id, part, series);
    const end = await jobEnd(job);
    return end.state === 'done';
  } catch (error) {
    told(error);
    return false;
  }
}

export async function planNow(options: { side?: string; lateral?: string } = {}): Promise<boolean> {
  const id = app.state?.id;
  if (!id) return false;
  try {
    const { job } = await api.plan(id, options);
    const end = await jobEnd(job);
    if (end.state === 'done') take(await api.state(id));
    return end.state === 'done';
  } catch (error) {
    told(error);
    return false;
  }
}

/** Films or a CT after the operation. */
export async function checkResult(given: Given[], options: { views?: string[]; temporary?: boolean }): Promise<boolean> {
  const id = app.state?.id;
  if (!id || !given.length) return false;
  if (!(await send(id, 'followup', given))) return false;
  try {
    const { job } = await api.verify(id, options);
    return (await jobEnd(job)).state === 'done';
  } catch (error) {
    told(error);
    return false;
  }
}
