// What the page shows, and that edits reach the server once and in their order.
import assert from 'node:assert/strict';
import { beforeEach, test } from 'node:test';
import { Events, asked, next, rest } from './server.mjs';
import { addMeasure, addressed, app, boardOrder, devicesNow, dismiss, edit, endTrial, footState, go, jobEnd, listen, order, rayNow, redo, remember, selectDevice, selectRay, shapeKey, showError, showFoot, showView, startAt, take, told, tryEdit, undo } from '../src/store.ts';
import { device, moved, planned, ray } from './state.mjs';

const kDevices = [device('T1', 2, { stage: 'temporary', kind: 'wire' }), device('S2', 2), device('S3', 3)];
const state = (seq, values = {}) => planned({ seq, plan: { devices: kDevices }, ...values });

beforeEach(() => {
  asked.length = 0;
  location.hash = '';
  Object.assign(app, { state: state(10), place: 'injury', ray: 2, device: null, played: 0, trial: null, views: ['foot', 'across'], errors: [], connected: true, saving: 0, said: '', readOnly: false, job: null });
});

test('the foot counts as reduced from half of the rays on', () => {
  assert.deepEqual(order(), [2, 3]);
  assert.deepEqual([0, 0.9, 1, 2].map((p) => ((app.played = p), footState())), ['injured', 'injured', 'reduced', 'reduced']);
  showFoot('injured');
  assert.equal(app.played, 0);
  showFoot('reduced');
  assert.equal(app.played, 2, 'every ray put back');
  app.state = planned({ plan: { reduction: { order: [], method: 'congruence' } } });
  showFoot('reduced');
  assert.equal(footState(), 'reduced', 'also where no ray moves');
});

test('rays from left to right as the surgeon sees them', () => {
  assert.deepEqual(boardOrder(), [1, 2, 3, 4, 5]);
  app.state = planned({ side: 'left' });
  assert.deepEqual(boardOrder(), [5, 4, 3, 2, 1]);
});

test('a view that stands in the other pane changes sides', () => {
  showView(0, 'across');
  assert.deepEqual(app.views, ['across', 'foot']);
  showView(1, 'across');
  assert.deepEqual(app.views, ['foot', 'across']);
  showView(1, 'film');
  assert.deepEqual(app.views, ['foot', 'film']);
  showView(1, null);
  assert.deepEqual(app.views, ['foot', null]);
  showView(1, 'foot');
  assert.deepEqual(app.views, ['foot', null], 'one view is not shown twice');
  showView(0, null);
  assert.deepEqual(app.views, ['foot', null], 'and never none');
});

test('each place opens with its own views and state of the foot, and keeps the views chosen there', () => {
  startAt('images');
  assert.deepEqual([app.views, app.played], [['along', 'foot'], 0]);
  go('fixation');
  assert.deepEqual([app.views, app.played, app.device], [['foot', 'drill'], 2, 'S2']);
  showView(1, 'film');
  app.tool = 'distance';
  go('injury');
  assert.deepEqual([app.played, app.tool], [0, 'look']);
  go('fixation');
  assert.deepEqual(app.views, ['foot', 'film']);
});

test('the address keeps case and place; another case is a step back in the browser', () => {
  history.steps = 0;
  remember();
  assert.equal(location.hash, '#c1/injury');
  assert.equal(history.steps, 1);
  go('theatre');
  assert.equal(location.hash, '#c1/theatre');
  assert.equal(history.steps, 1, 'a place is no step');
  assert.deepEqual(addressed(), { id: 'c1', place: 'theatre' });
  location.hash = '#c2/nowhere';
  assert.deepEqual(addressed(), { id: 'c2', place: undefined });
  for (const link of ['#place', '#cases', '', '#']) assert.equal(((location.hash = link), addressed()), null, `"${link}" leads to a part of the page`);
});

test('a chosen ray brings its definitive device along, a chosen device its ray', () => {
  selectRay(2);
  assert.equal(app.device, 'S2');
  app.device = 'T1';
  selectRay(2);
  assert.equal(app.device, 'T1', 'one of this ray stays');
  selectRay(3);
  assert.equal(app.device, 'S3');
  selectRay(9);
  assert.deepEqual([app.ray, app.device], [5, 'S3'], 'there are five rays; one without devices leaves the last');
  selectRay(-1);
  assert.equal(app.ray, 1);
  selectDevice('T1');
  assert.equal(app.ray, 2);
});

test('an older answer does not replace a newer state', () => {
  take(state(12, { name: 'newer' }));
  take(state(11, { name: 'older' }));
  assert.equal(app.state.name, 'newer');
  app.device = 'S2';
  app.played = 2;
  take(planned({ seq: 13, plan: { devices: [device('S3', 3)], reduction: { order: [3], method: 'congruence' } } }));
  assert.equal(app.device, null, 'S2 is gone, and ray 2 has no other');
  assert.equal(app.played, 1, 'one ray is put back now');
});

test('a plan that could not be opened is said once', () => {
  const problem = { what: 'the plan is damaged', where: 'plan.json', remedy: 'Plan again.' };
  take(state(11, { problem }));
  take(state(12, { problem: { ...problem } }));
  assert.deepEqual(app.errors, [problem]);
  for (const what of ['a', 'b', 'c']) showError({ what });
  assert.deepEqual(app.errors.map((e) => e.what), ['a', 'b', 'c'], 'three at most, the last ones');
  dismiss(app.errors[1]);
  assert.deepEqual(app.errors.map((e) => e.what), ['a', 'c']);
  told(new DOMException('stopped', 'AbortError'));
  assert.equal(app.errors.length, 2, 'what a person stopped is no trouble');
});

test('the shape of a plan is its poses and devices, not its words', () => {
  const first = shapeKey();
  take(state(11, { notes: 'other words', name: 'another name' }));
  assert.equal(shapeKey(), first);
  take(planned({ seq: 12, plan: { devices: kDevices, rays: [ray(1), ray(2, { transform: moved(1, 0, 0) })] } }));
  const second = shapeKey();
  assert.notEqual(second, first);
  take(planned({ seq: 13, plan: { devices: [device('S2', 2, { tip: [0, 31, 0] })], rays: [ray(1), ray(2, { transform: moved(1, 0, 0) })] } }));
  assert.notEqual(shapeKey(), second);
});

test('a trial stands over the plan, where it says something', () => {
  const { manoeuvre: _, ...tried } = ray(2, { transform: moved(0, 0, 3), by_hand: true });
  app.state = planned({ plan: { devices: kDevices, rays: [ray(1), ray(2, { manoeuvre: ['pull'] })] } });
  app.trial = { rays: [tried], devices: [{ id: 'S2', tip: [9, 9, 9], checked: false, reasons: ['Checked when the ray is let go'] }] };
  assert.deepEqual([rayNow(2).by_hand, rayNow(2).transform[2][3], rayNow(2).manoeuvre], [true, 3, ['pull']]);
  assert.equal(rayNow(1).by_hand, false);
  assert.equal(rayNow(4), null);
  const s2 = devicesNow().find((d) => d.id === 'S2');
  assert.deepEqual([s2.tip, s2.entry, s2.reasons], [[9, 9, 9], [0, 0, 0], ['Checked when the ray is let go']]);
  assert.equal(devicesNow().length, 3);
});

test('one edit after the other, each answered before the next is sent', async () => {
  const [first, second] = [edit('case.notes', { text: 'a' }), edit('case.notes', { text: 'b' })];
  await rest();
  assert.deepEqual(asked.map((a) => [a.what, a.body.kind, a.body.text]), [['POST /api/cases/c1/edits', 'case.notes', 'a']]);
  assert.equal(app.saving, 2);
  asked[0].answer({ seq: 11, state: state(11, { notes: 'a' }) });
  assert.equal(await first, true);
  await rest();
  assert.deepEqual([asked.length, asked[1].body.text], [2, 'b']);
  assert.notEqual(asked[0].body.token, asked[1].body.token);
  asked[1].answer({ seq: 12, state: state(12, { notes: 'b' }) });
  assert.equal(await second, true);
  assert.deepEqual([app.state.notes, app.saving], ['b', 0]);
});

test('an edit that was lost on the way is sent again under its own token', async () => {
  const done = edit('case.name', { text: 'kept' });
  await rest();
  asked[0].lose();
  await rest();
  assert.deepEqual([app.connected, app.saving, app.errors], [false, 1, []], 'not saved yet, and no error');
  app.connected = true; // as the events tell
  const again = await next(1);
  assert.deepEqual(again.body, asked[0].body);
  again.answer({ seq: 11, state: state(11, { name: 'kept' }) });
  assert.equal(await done, true);
  assert.equal(app.state.name, 'kept');
});

test('an edit that is refused says why, and the next goes on', async () => {
  const refused = edit('device.remove', { id: 'S9' });
  const after = edit('case.notes', { text: 'c' });
  await rest();
  asked[0].answer({ error: { what: 'there is no device S9', where: 'id', remedy: 'Look at the devices.' } }, 400);
  assert.equal(await refused, false);
  assert.deepEqual(app.errors, [{ what: 'there is no device S9', where: 'id', remedy: 'Look at the devices.' }]);
  (await next(1)).answer({ seq: 11, state: state(11) });
  assert.equal(await after, true);
});

test('the second screen sends nothing', async () => {
  app.readOnly = true;
  app.state.can_undo = app.state.can_redo = 'notes';
  assert.equal(await edit('case.notes', { text: 'd' }), false);
  await undo();
  await redo();
  assert.equal(asked.length, 0);
});

test('undo says what it takes back; without anything to take back it asks nothing', async () => {
  await undo();
  assert.equal(asked.length, 0);
  app.state.can_undo = 'S3 left out';
  const done = undo();
  await rest();
  assert.equal(asked[0].what, 'POST /api/cases/c1/undo');
  asked[0].answer({ seq: 11, state: state(11) });
  await done;
  assert.equal(app.said, 'Undone: S3 left out');
});

test('while something is dragged: one trial on its way, then the newest wish', async () => {
  for (const x of [1, 2, 3]) void tryEdit('device.set', { x });
  await rest();
  assert.deepEqual(asked.map((a) => a.body.x), [1]);
  asked[0].answer({ rays: [], devices: [{ id: 'S2', length_mm: 1, checked: true }] });
  await rest();
  assert.deepEqual(asked.map((a) => a.body.x), [1, 3], 'what came between is passed over');
  assert.equal(app.trial.devices[0].length_mm, 1);
  // Let go: what is still on its way must not come back over the edit.
  endTrial();
  app.trial = null;
  asked[1].answer({ rays: [], devices: [{ id: 'S2', length_mm: 3, checked: true }] });
  await rest();
  assert.equal(app.trial, null);
});

test('a drawn measure says what is measured as "measure"', async () => {
  addMeasure({ view: 'foot', kind: 'distance', points: [[0, 0, 0], [1, 0, 0]], state: 'reduced' });
  await rest();
  const { id, token, ...sent } = asked[0].body;
  assert.ok(id && token);
  assert.deepEqual(sent, { kind: 'measure.add', measure: 'distance', view: 'foot', points: [[0, 0, 0], [1, 0, 0]], state: 'reduced' });
  asked[0].answer({ seq: 11, state: state(11) });
  await rest();
});

test('a job is followed to its end, however it ends', async () => {
  listen('c1');
  assert.equal(Events.now.path, '/api/events?case=c1');
  const job = (id, values) => ({ job: id, case: 'c1', kind: 'plan', stage: 'bones', fraction: 0.5, ...values });
  Events.now.tell('job', job('j1', { state: 'running' }));
  assert.equal(app.job.fraction, 0.5);
  Events.now.tell('job', { ...job('j9', { state: 'running' }), case: 'another' });
  assert.equal(app.job.job, 'j1');
  const end = jobEnd('j1');
  Events.now.tell('job', job('j1', { state: 'failed', error: { what: 'no foot was found', where: '', remedy: '' } }));
  assert.equal((await end).state, 'failed');
  assert.equal(app.job, null);
  assert.deepEqual(app.errors.map((e) => e.what), ['no foot was found']);
  assert.equal((await jobEnd('j1')).state, 'failed', 'told also to who asks late');
  asked.forEach((a) => a.answer(state(11)));
  await rest();
});

test('the list is asked for again once the line stands: a case made before was told to nobody', () => {
  let heard = 0;
  listen(null, () => (heard += 1));
  assert.equal(Events.now.path, '/api/events');
  Events.now.onopen();
  assert.equal(heard, 1);
  assert.equal(app.said, '', 'and it is no return after a break');
  Events.now.tell('case', { id: 'c7', seq: 1 });
  assert.equal(heard, 2);
});

test('a row that was stored elsewhere is fetched, but not while an edit of ours is on its way', async () => {
  listen('c1');
  Events.now.tell('case', { id: 'c1', seq: 11 });
  await rest();
  assert.deepEqual(asked.map((a) => a.what), ['GET /api/cases/c1']);
  asked[0].answer(state(11, { name: 'from elsewhere' }));
  await rest();
  assert.equal(app.state.name, 'from elsewhere');
  const done = edit('case.notes', { text: 'e' });
  await rest();
  Events.now.tell('case', { id: 'c1', seq: 13 });
  await rest();
  assert.equal(asked.length, 2, 'the edit alone');
  asked[1].answer({ seq: 12, state: state(12) });
  await done;
  await rest();
  assert.equal(asked[2].what, 'GET /api/cases/c1', 'what came after it is fetched now');
  asked[2].answer(state(13));
  await rest();
  assert.equal(app.state.seq, 13);
  Events.now.tell('case', { id: 'c1', seq: 13 });
  await rest();
  assert.equal(asked.length, 3, 'known already');
});
