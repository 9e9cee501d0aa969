// Whether what is shown can be read by everybody: nothing out of the window, words in place of codes, nothing
// serious found by axe-core.
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';

/** What runs out of the window, is cut off or is no word, in words. */
export const misfits = (page) =>
  page.evaluate(() => {
    const out = [];
    const root = document.scrollingElement;
    if (root.scrollWidth > innerWidth + 1) out.push(`the page is ${root.scrollWidth - innerWidth} px wider than the window`);
    const name = (e) => `${e.tagName.toLowerCase()}${e.className?.baseVal ?? (e.className ? `.${String(e.className).split(' ').join('.')}` : '')} "${(e.innerText ?? '').slice(0, 40)}"`;
    const visible = (e) => e.checkVisibility?.({ visibilityProperty: true }) !== false && e.getClientRects().length > 0;
    const reachable = (e) => {
      for (let p = e.parentElement; p; p = p.parentElement) {
        const s = getComputedStyle(p);
        if (/auto|scroll/.test(s.overflowX + s.overflowY) && (p.scrollHeight > p.clientHeight || p.scrollWidth > p.clientWidth)) return true;
      }
      return root.scrollHeight > innerHeight + 1;
    };
    for (const e of document.querySelectorAll('button, select, input, textarea, h1, h2, .edge, .words, .end, .state, .subject')) {
      if (!visible(e) || e.closest('.hidden, .skip, details:not([open]) > :not(summary)')) continue;
      const b = e.getBoundingClientRect();
      if (e.type === 'file' || b.width === 0) continue;
      if ((b.right > innerWidth + 1 || b.left < -1 || b.bottom > innerHeight + 1) && !reachable(e)) out.push(`${name(e)} runs out of the window`);
      const s = getComputedStyle(e);
      if (/hidden|clip/.test(s.overflowX) && s.textOverflow !== 'ellipsis' && e.scrollWidth > e.clientWidth + 2 && e.tagName !== 'INPUT') out.push(`${name(e)} is cut off by ${e.scrollWidth - e.clientWidth} px`);
    }
    // Columns of the board: no part over another, no words cut.
    for (const c of document.querySelectorAll('.board .column')) {
      const box = c.getBoundingClientRect();
      for (const part of c.children) {
        const b = part.getBoundingClientRect();
        if (b.bottom > box.bottom + 1.5 || b.right > box.right + 1.5) out.push(`${name(part)} runs out of its column`);
      }
    }
    // Buttons side by side must not lie over one another.
    const buttons = [...document.querySelectorAll('.toolbar button, .acts button, nav button, .tools button, .tools select, .pane-head select, .pane-foot button')].filter(visible);
    for (let i = 0; i < buttons.length; ++i)
      for (let j = i + 1; j < buttons.length; ++j) {
        const [a, b] = [buttons[i].getBoundingClientRect(), buttons[j].getBoundingClientRect()];
        if (Math.min(a.right, b.right) - Math.max(a.left, b.left) > 2 && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 2 && !buttons[i].contains(buttons[j]))
          out.push(`${name(buttons[i])} lies over ${name(buttons[j])}`);
      }
    // Codes of messages where their words should be.
    const shown = [document.body.innerText];
    for (const e of document.querySelectorAll('[title], [aria-label], [placeholder], svg text')) shown.push(e.getAttribute('title'), e.getAttribute('aria-label'), e.getAttribute('placeholder'), e.textContent);
    for (const [code] of shown.join(' ').matchAll(/[a-z]+\.[a-z0-9_.]*[a-z0-9_]/g)) if (code in globalThis.raysetWords.words) out.push(`the code ${code} is shown`);
    return out;
  });

const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');

async function findings(page) {
  await page.evaluate(`${axe}; undefined`);
  const { violations } = await page.evaluate(() => window.axe.run(document, { resultTypes: ['violations'] }));
  return violations;
}

/** Nothing serious; the rest is told. */
export async function sound(page, where, context) {
  const all = await findings(page);
  const write = (v) => `${v.impact} ${v.id}: ${v.help}: ${v.nodes.slice(0, 3).map((n) => `${n.target.join(' ')} (${n.any[0]?.message ?? n.all[0]?.message ?? ''})`).join('; ')} (${v.nodes.length})`;
  for (const v of all) if (v.impact !== 'serious' && v.impact !== 'critical') context.diagnostic(`${where}: ${write(v)}`);
  assert.deepEqual(all.filter((v) => v.impact === 'serious' || v.impact === 'critical').map(write), [], where);
}
