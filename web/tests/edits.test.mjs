// Every kind of edit through the page: what it does, then taken back and done again.
import assert from 'node:assert/strict';
import { before, test } from 'node:test';
import { essence, footDrawn, goTo, openCase, settled, t, until } from './browser.mjs';
import { browser, d } from './fixture.mjs';

let w, page;
before(async () => {
  w = await openCase(browser, d, 'fixation');
  page = w.page;
  await footDrawn(page);
});

const device = (state, id) => state.plan.devices.find((x) => x.id === id);
const ray = (state, n) => state.plan.rays.find((x) => x.ray === n);
const apart = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1], a[2] - b[2]);

/**
 * `act` makes one edit of `kind` (a run of presses may become more, where the machine is slow); `holds(before, after)`
 * says what the server must hold, `sees()` what the page must show. Then Undo and Redo, and Undo once more so that the
 * next begins where this one did.
 */
async function roundTrip(kind, act, holds, sees = async () => {}, { run = 1 } = {}) {
  await settled(page);
  const old = await d.state();
  await act();
  await until(() => d.state(), (s) => s.history.length > old.history.length, `${kind} stored`);
  // What is still on its way, of a run.
  if (run > 1) await page.waitForTimeout(900);
  await settled(page);
  const now = await d.state();
  const rows = now.history.length - old.history.length;
  assert.ok(rows >= 1 && rows <= run, `${rows} rows for one ${kind}`);
  assert.ok(now.history.slice(-rows).every((r) => r.kind === kind));
  assert.notDeepEqual(essence(now), essence(old), `${kind} changes the state`);
  holds(old, now);
  await sees(now);
  const times = async (turn) => {
    let s = await d.state();
    for (let i = 0; i < rows; ++i) {
      const seq = s.seq;
      await turn(s);
      s = await until(() => d.state(), (x) => x.seq > seq, 'turned');
      await settled(page);
    }
    return s;
  };
  const undo = page.locator(t('undo'));
  const back = await times(async (s) => {
    assert.ok((await undo.getAttribute('title')).includes(s.can_undo), 'the page says what Undo takes back');
    await undo.click();
  });
  assert.deepEqual(essence(back), essence(old), `undo of ${kind} gives back what was`);
  const again = await times(() => page.locator(t('redo')).click());
  assert.deepEqual(essence(again), essence(now), `redo of ${kind} gives what it gave`);
  await page.evaluate(() => document.activeElement?.blur?.());
  const last = await times(() => page.keyboard.press('Control+z'));
  assert.deepEqual(essence(last), essence(old));
}

async function chooseDevice(id) {
  await goTo(page, 'fixation');
  await page.locator(t(`device-${id}`)).click();
  await settled(page);
}
const chooseRay = async (n) => {
  await page.locator(t(`ray-${n}`)).click();
  await settled(page);
};

test('name of the case', async () => {
  await roundTrip(
    'case.name',
    async () => {
      await page.locator(t('case-name')).fill('Fuß rechts, Ä 1');
      await page.keyboard.press('Enter');
    },
    (_, now) => assert.equal(now.name, 'Fuß rechts, Ä 1'),
    async () => assert.match(await page.title(), /^Fuß rechts/),
  );
  assert.equal(await page.locator(t('case-name')).inputValue(), (await d.state()).name, 'the page shows the old name again');
});

test('notes', async () => {
  await page.locator(t('history-open')).click();
  await roundTrip(
    'case.notes',
    async () => {
      await page.locator(t('notes')).fill('Ex fix on the lateral side.\nSkin: wait.');
      await page.locator(t('notes')).blur();
    },
    (_, now) => assert.equal(now.notes, 'Ex fix on the lateral side.\nSkin: wait.'),
    async (now) => assert.ok((await page.locator(t('history')).innerText()).toLowerCase().includes(now.history.at(-1).words.toLowerCase())),
  );
  await page.locator(t('history-open')).click();
});

test('a tip moved by keys', async () => {
  await chooseDevice('S2');
  await roundTrip(
    'device.set',
    async () => {
      await page.locator(t('handle-3d-tip')).focus();
      for (let i = 0; i < 6; ++i) await page.keyboard.press('ArrowLeft');
    },
    (old, now) => {
      const [a, b] = [device(old, 'S2'), device(now, 'S2')];
      assert.ok(b.by_hand && !a.by_hand);
      const way = apart(a.tip, b.tip);
      assert.ok(Math.abs(way - 3) < 0.8, `the tip went ${way} mm for six steps of 0.5 mm`);
      assert.ok(apart(a.entry, b.entry) < 1.5, 'the entry stayed');
    },
    async (now) => {
      const row = await page.locator(t('device-row-S2')).innerText();
      assert.match(row, /by hand/);
      await reasonsShown(now, 'S2');
    },
    { run: 6 },
  );
});

async function reasonsShown(state, id) {
  const words = (await page.locator(t('device-checks')).innerText()).toLowerCase();
  const dev = device(state, id);
  if (dev.ok) assert.match(words, /all checks are met/);
  else for (const r of dev.reasons) assert.ok(words.includes(r.toLowerCase()), `"${r}" in "${words}"`);
}

test('a tip moved by mouse, checked while it moves, stored when let go', async () => {
  await chooseDevice('S2');
  await page.locator(t('home-dorsal')).first().click();
  await settled(page);
  w.forget();
  const before = await d.state();
  await roundTrip(
    'device.set',
    async () => {
      const checks = page.locator(t('device-checks'));
      const calm = await checks.innerText();
      const box = await page.locator(t('handle-3d-tip')).boundingBox();
      const [x, y] = [box.x + box.width / 2, box.y + box.height / 2];
      await page.mouse.move(x, y);
      await page.mouse.down();
      for (let i = 1; i <= 12; ++i) await page.mouse.move(x + 5 * i, y + 3 * i);
      // The words change under the hand ...
      await page.locator(`${t('device-checks')}.trial`).waitFor();
      await page.waitForFunction(([sel, old]) => document.querySelector(sel).innerText !== old, [t('device-checks'), calm]);
      const under = await checks.innerText();
      // ... while nothing is stored.
      const held = await d.state();
      assert.equal(held.seq, before.seq, 'nothing is stored before the button is let go');
      assert.ok(w.heard.writes.length > 0 && w.heard.writes.every((x) => x.endsWith('/try')), `only trials so far: ${w.heard.writes}`);
      assert.notEqual(under, calm);
      await page.mouse.up();
    },
    (old, now) => assert.ok(apart(device(old, 'S2').tip, device(now, 'S2').tip) > 2),
    async (now) => {
      assert.equal(w.heard.writes.filter((x) => x.endsWith('/edits')).length, 1, 'one edit for one drag');
      await reasonsShown(now, 'S2');
    },
  );
});

test('an entry moved by mouse stays on the cortex', async () => {
  await chooseDevice('S1');
  await roundTrip(
    'device.set',
    async () => {
      const box = await page.locator(t('handle-3d-entry')).boundingBox();
      await page.mouse.move(box.x + box.width / 2, box.y + box.height / 2);
      await page.mouse.down();
      await page.mouse.move(box.x + box.width / 2 + 8, box.y + box.height / 2 + 10, { steps: 6 });
      await page.mouse.up();
    },
    (old, now) => {
      const [a, b] = [device(old, 'S1'), device(now, 'S1')];
      assert.ok(apart(a.entry, b.entry) > 0.5, 'the entry moved');
      assert.ok(b.lengths_mm.includes(b.length_mm), 'the length is one of the catalogue');
      assert.ok(Math.abs(apart(b.entry, b.tip) - b.length_mm) < 0.01, 'the length is from entry to tip');
    },
  );
});

test('length', async () => {
  await chooseDevice('S3');
  const old = device(await d.state(), 'S3');
  const other = old.lengths_mm.filter((l) => l !== old.length_mm).sort((a, b) => Math.abs(a - old.length_mm) - Math.abs(b - old.length_mm))[0];
  await roundTrip(
    'device.set',
    () => page.locator(t('device-length')).selectOption(String(other)),
    (_, now) => assert.equal(device(now, 'S3').length_mm, other),
    async () => assert.match(await page.locator(t('device-row-S3')).innerText(), new RegExp(`${other} mm`)),
  );
});

test('another implant', async () => {
  await chooseDevice('W2');
  const old = device(await d.state(), 'W2');
  const options = await page.locator(`${t('device-type')} option`).evaluateAll((o) => o.map((x) => x.value));
  const other = options.find((x) => x !== old.type);
  assert.ok(other, `another implant than ${old.type} among ${options}`);
  await roundTrip(
    'device.set',
    () => page.locator(t('device-type')).selectOption(other),
    (_, now) => assert.equal(device(now, 'W2').type, other),
  );
});

test('a device not used', async () => {
  await chooseDevice('W3');
  await roundTrip(
    'device.remove',
    () => page.locator(t('device-remove')).click(),
    (_, now) => assert.equal(device(now, 'W3'), undefined),
    async () => assert.equal(await page.locator(t('device-row-W3')).count(), 0),
  );
  assert.equal(await page.locator(t('device-row-W3')).count(), 1);
});

for (const n of [4, 5])
  test(`ray ${n}: the other kind of device`, async () => {
    const mine = (s) => s.plan.devices.filter((x) => x.ray === n && x.stage === 'definitive');
    const now = mine(await d.state());
    await chooseDevice(now[0].id);
    const to = now[0].kind === 'screw' ? 'wire' : 'screw';
    await roundTrip(
      'device.swap',
      () => page.locator(t('device-swap')).click(),
      (_, s) => {
        assert.ok(mine(s).length > 0);
        for (const x of mine(s)) assert.equal(x.kind, to);
      },
      async (s) => {
        for (const x of mine(s)) await page.locator(t(`device-row-${x.id}`)).waitFor();
      },
    );
  });

const column = (m) => [m[0][3], m[1][3], m[2][3]];
test('a ray moved by steps: one edit, its devices go along', async () => {
  await goTo(page, 'reduction');
  await chooseRay(2);
  const fit = await page.locator(t('fit')).innerText();
  await roundTrip(
    'ray.move',
    async () => {
      for (let i = 0; i < 3; ++i) await page.locator(t('move-dorsal')).click();
    },
    (old, now) => {
      const moved = apart(column(ray(old, 2).transform), column(ray(now, 2).transform));
      assert.ok(Math.abs(moved - 1.5) < 0.05, `three steps of 0.5 mm are ${moved} mm`);
      assert.ok(ray(now, 2).by_hand);
      const [a, b] = [device(old, 'S2'), device(now, 'S2')];
      assert.ok(apart(a.entry, b.entry) > 0.3, 'its screw went along');
      assert.deepEqual(ray(now, 3).transform, ray(old, 3).transform, 'the neighbour stayed');
    },
    async (now) => {
      const words = await page.locator(t('fit')).innerText();
      assert.notEqual(words, fit);
      assert.ok(words.includes(`${ray(now, 2).joint.gap_mm.toFixed(1)} mm`), `gap in "${words}"`);
    },
    { run: 3 },
  );
});

test('a ray moved by mouse, its joint told while it moves', async () => {
  await goTo(page, 'reduction');
  await chooseRay(1);
  w.forget();
  const before = await d.state();
  await roundTrip(
    'ray.move',
    async () => {
      await page.locator(t('tool-move')).click();
      const box = await page.locator(t('view-foot')).boundingBox();
      const [x, y] = [box.x + box.width / 2, box.y + box.height / 2];
      const calm = await page.locator(t('fit')).innerText();
      await page.mouse.move(x, y);
      await page.mouse.down();
      for (let i = 1; i <= 8; ++i) await page.mouse.move(x + 2 * i, y - 2 * i);
      await page.locator(`${t('fit')}.trial`).waitFor();
      await page.waitForFunction(([sel, old]) => document.querySelector(sel).innerText !== old, [t('fit'), calm]);
      assert.equal((await d.state()).seq, before.seq);
      assert.ok(w.heard.writes.every((r) => r.endsWith('/try')));
      await page.mouse.up();
    },
    (old, now) => assert.ok(apart(column(ray(old, 1).transform), column(ray(now, 1).transform)) > 0.5),
  );
  await page.locator(t('tool-look')).click();
});

test('a ray back to the plan', async () => {
  await goTo(page, 'reduction');
  await chooseRay(3);
  const planned = await d.state();
  await page.locator(t('move-abduct')).click();
  await until(() => d.state(), (s) => ray(s, 3).by_hand, 'moved');
  await roundTrip(
    'ray.reset',
    () => page.locator(t('ray-reset')).click(),
    (_, now) => {
      assert.ok(!ray(now, 3).by_hand);
      assert.deepEqual(ray(now, 3).transform, ray(planned, 3).transform);
      assert.deepEqual(now.plan.devices, planned.plan.devices, 'devices are back too');
    },
  );
  await page.locator(t('undo')).click();
  await until(() => d.state(), (s) => !ray(s, 3).by_hand, 'undone');
});

/** The patient's point under a point of a slice view, by the slice that the server gives for what was asked last. */
async function pointUnder(kind, fx, fy) {
  const asked = w.heard.all.filter((r) => r.path.includes(`/slice?kind=${kind}`)).at(-1).path;
  const bytes = await (await d.server.ask('GET', asked)).arrayBuffer();
  const n = new DataView(bytes).getUint32(0, true);
  const s = JSON.parse(new TextDecoder().decode(new Uint8Array(bytes, 4, n)));
  const box = await page.locator(t(`view-${kind}`)).boundingBox();
  const at = [box.x + fx * box.width, box.y + fy * box.height];
  const inner = await page.locator(t(`view-${kind}`)).evaluate((e) => ({ w: e.clientWidth, left: e.clientLeft, top: e.clientTop }));
  const k = s.width / inner.w;
  const px = (at[0] - box.x - inner.left) * k - 0.5;
  const py = (at[1] - box.y - inner.top) * k - 0.5;
  const point = [0, 1, 2].map((i) => s.origin[i] + s.mm_per_pixel * (px * s.right[i] + py * s.down[i]));
  return { at, point };
}

async function correction(kind) {
  await goTo(page, 'images');
  await page.locator(t(`correct-${kind}`)).click();
  await chooseRay(2);
}
const added = (old, now, list) => (now.edits[list] ?? []).slice((old.edits?.[list] ?? []).length);

test('a seed', async () => {
  await correction('seed');
  await page.locator(t('seed-bone')).selectOption('M2');
  await settled(page);
  let given;
  await roundTrip(
    'bones.edit',
    async () => {
      await page.locator(t('seed-place')).click();
      await settled(page);
      given = await pointUnder('along', 0.55, 0.45);
      await page.mouse.click(...given.at);
    },
    (old, now) => {
      const [seed] = added(old, now, 'seeds');
      assert.equal(seed.bone, 'M2');
      assert.ok(apart(seed.point, given.point) < 0.6, `asked for ${given.point}, stored ${seed.point}`);
      assert.equal(now.stale, true);
    },
    async () => {
      await page.locator(t('stale')).waitFor();
      assert.match(await page.locator(t('bone-edits')).innerText(), /1 seed/);
    },
  );
  assert.equal(await page.locator(t('stale')).count(), 0);
});

test('a split', async () => {
  await correction('split');
  await page.locator(t('split-one')).selectOption('M2');
  await page.locator(t('split-two')).selectOption('M3');
  const points = [];
  await roundTrip(
    'bones.edit',
    async () => {
      for (const [i, spots] of [[0, [[0.5, 0.4], [0.55, 0.5]]], [1, [[0.4, 0.6]]]]) {
        await page.locator(t(`split-seeds-${i}`)).click();
        await settled(page);
        for (const [fx, fy] of spots) {
          const p = await pointUnder('along', fx, fy);
          points.push(p.point);
          await page.mouse.click(...p.at);
        }
        assert.match(await page.locator(t(`split-seeds-${i}`)).innerText(), new RegExp(`\\(${spots.length}\\)`));
      }
      await page.locator(t('split-do')).click();
    },
    (old, now) => {
      const [split] = added(old, now, 'splits');
      assert.deepEqual(split.bones, ['M2', 'M3']);
      const stored = [...split.seeds.M2, ...split.seeds.M3];
      assert.equal(stored.length, 3);
      stored.forEach((p, i) => assert.ok(apart(p, points[i]) < 0.6));
    },
  );
});

test('a merge', async () => {
  await correction('merge');
  await page.locator(t('merge-into')).selectOption('M2');
  let given;
  await roundTrip(
    'bones.edit',
    async () => {
      await page.locator(t('merge-place')).click();
      await settled(page);
      given = await pointUnder('along', 0.5, 0.5);
      await page.mouse.click(...given.at);
    },
    (old, now) => {
      const [merge] = added(old, now, 'merges');
      assert.equal(merge.into, 'M2');
      assert.ok(apart(merge.point, given.point) < 0.6);
    },
  );
});

test('a bone renamed, the two swapped', async () => {
  await correction('rename');
  await page.locator(t('rename-from')).selectOption('C2');
  await page.locator(t('rename-to')).selectOption('C3');
  await roundTrip(
    'bones.edit',
    () => page.locator(t('rename-do')).click(),
    (old, now) => {
      assert.deepEqual(added(old, now, 'renames'), [{ from: 'C2', to: 'C3' }, { from: 'C3', to: 'C2' }]);
      assert.equal(now.stale, true);
    },
  );
});

test('a distance drawn in a slice, then removed', async () => {
  await goTo(page, 'injury');
  await page.locator(t('view-large')).selectOption('along');
  await settled(page);
  const ends = [];
  const draw = async () => {
    await page.locator(t('tool-distance')).click();
    for (const [fx, fy] of [[0.4, 0.5], [0.6, 0.45]]) {
      const p = await pointUnder('along', fx, fy);
      ends.push(p.point);
      await page.mouse.click(...p.at);
    }
  };
  await roundTrip(
    'measure.add',
    draw,
    (_, now) => {
      const m = now.measures_drawn.at(-1);
      assert.equal(m.points.length, 2);
      m.points.forEach((p, i) => assert.ok(apart(p, ends[i]) < 0.6));
    },
    async (now) => {
      const m = now.measures_drawn.at(-1);
      const words = `${apart(m.points[0], m.points[1]).toFixed(1)} mm`;
      assert.ok((await page.locator(t('drawn')).innerText()).includes(words), words);
      assert.ok((await page.locator(t('view-along')).innerText()).includes(words), `${words} stands in the slice`);
    },
  );
  assert.equal(await page.locator(t('drawn')).count(), 0);
  await draw();
  await until(() => d.state(), (s) => s.measures_drawn.length === 1, 'drawn');
  await settled(page);
  await roundTrip(
    'measure.remove',
    () => page.locator(t('drawn')).getByRole('button', { name: 'Remove' }).click(),
    (_, now) => assert.equal(now.measures_drawn.length, 0),
  );
  await page.locator(t('tool-look')).click();
});

test('an angle drawn on the foot in space', async () => {
  await goTo(page, 'injury');
  await page.locator(t('view-large')).selectOption('foot');
  await page.locator(t('home-dorsal')).first().click();
  await settled(page);
  await page.locator(t('tool-angle')).click();
  await roundTrip(
    'measure.add',
    async () => {
      const at = await page.locator(`${t('view-foot')} .ray-label`).evaluateAll((all) => Object.fromEntries(all.map((e) => [e.textContent, e.getBoundingClientRect().toJSON()])));
      for (const n of ['1', '3', '5']) await page.mouse.click(at[n].x + at[n].width / 2, at[n].y + at[n].height / 2);
    },
    (_, now) => assert.equal(now.measures_drawn.at(-1).points.length, 3),
    async () => assert.match(await page.locator(t('drawn')).innerText(), /°/),
  );
  await page.locator(t('tool-look')).click();
});

test('theatre: a step done by click, by space, by the pedal', async () => {
  await goTo(page, 'theatre');
  const steps = (await d.state()).theatre.steps;
  const acts = [() => page.locator(t('step-next')).click(), () => page.keyboard.press('Space'), () => page.keyboard.press('PageDown')];
  for (const act of acts) {
    await page.evaluate(() => document.activeElement?.blur?.());
    await roundTrip(
      'theatre.step',
      act,
      (_, now) => assert.deepEqual(now.theatre.steps.map((s) => s.done), steps.map((_, i) => i === 0)),
      async () => assert.equal(await page.locator(t('step-title')).innerText(), steps[1].title),
    );
  }
});

test('theatre: a measured depth', async () => {
  await goTo(page, 'theatre');
  const steps = (await d.state()).theatre.steps;
  const at = steps.findIndex((s) => s.device?.startsWith('S'));
  for (let i = 0; i < at; ++i) await d.server.edit(d.id, 'theatre.step', { step: steps[i].id, done: true });
  await page.waitForFunction((title) => document.querySelector('[data-test="step-title"]').innerText === title, steps[at].title);
  const expected = steps[at].expected_mm ?? 0;
  await roundTrip(
    'depth.measured',
    async () => {
      await page.locator(t('depth')).fill(String(Math.round(expected) + 4));
      await page.keyboard.press('Tab');
    },
    (_, now) => assert.equal(device(now, steps[at].device).measured_mm, Math.round(expected) + 4),
    async () => assert.match(await page.locator(t('depth-result')).innerText(), /deeper.*look/is),
  );
});

test('follow-up: date of surgery and an appointment kept', async () => {
  await goTo(page, 'followup');
  await roundTrip(
    'surgery.date',
    () => page.locator(t('surgery-date')).fill('2026-03-02'),
    (_, now) => {
      assert.equal(now.followup.surgery_date, '2026-03-02');
      assert.equal(now.followup.plan[0].date_from.slice(0, 4), '2026');
    },
    async () => {
      const [download] = await Promise.all([page.waitForEvent('download'), page.locator(t('ics')).click()]);
      assert.ok(download.suggestedFilename().endsWith('.ics'));
    },
  );
  const [first] = (await d.state()).followup.plan;
  await roundTrip(
    'followup.done',
    () => page.locator(t(`kept-${first.id}`)).click(),
    (_, now) => assert.ok(now.followup.plan[0].done),
  );
});

test('the page was quiet all the time', () => w.quiet());
