// Sentences of the page, from the file of words that the engine uses (data/words), by the same rules as
// src/language/words.cpp. The server sends the words ahead of the page (/words.js), so that they are there from the start.
import { IntlMessageFormat } from 'intl-messageformat';

interface Words {
  language: string;
  /** "en-GB": of dates, lists and plurals. */
  locale: string;
  decimal: string;
  /** By code; of the page alone are those of the section "page". */
  words: Record<string, string>;
}

const file: Words = (globalThis as { raysetWords?: Words }).raysetWords ?? { language: '', locale: 'en-GB', decimal: '.', words: {} };
const made = new Map<string, IntlMessageFormat>();

export const locale = file.locale;
export const decimal = file.decimal;
export const language = file.language;

/** The sentence of a code; without words, the code with its arguments. */
export function phrase(code: string, args: Record<string, string | number> = {}): string {
  const pattern = file.words[code];
  if (pattern === undefined)
    return [code, ...Object.entries(args).map(([name, value]) => `${name}=${value}`)].join(' ');
  if (!/[{']/.test(pattern)) return pattern;
  let format = made.get(code);
  if (!format) made.set(code, (format = new IntlMessageFormat(pattern, file.locale, undefined, { ignoreTag: true })));
  return String(format.format(args));
}
