// Poses of the foot and what a hand does to them: directions in the surgeon's words, for a right and a left foot.
import assert from 'node:assert/strict';
import { beforeEach, test } from 'node:test';
import { asked, next, rest } from './server.mjs';
import { axisOf, baseShown, dragged, goesBack, homeView, playedOf, reducedPose, shownPose, stepped } from '../src/foot.ts';
import { apply } from '../src/math.ts';
import { deviceUnderHand, dragDevice, dragRay, dropDevice, dropRay, keyRay, stepRay, turnRay } from '../src/moves.ts';
import { app } from '../src/store.ts';
import { device, moved, planned, ray } from './state.mjs';

const near = (a, b) => {
  const [x, y] = [a, b].map((v) => [v].flat(2));
  assert.equal(x.length, y.length);
  x.forEach((v, i) => assert.ok(Math.abs(v - y[i]) <= 1e-9, `${JSON.stringify(a)} for ${JSON.stringify(b)}`));
};
const plan = () => app.state.plan;

beforeEach(() => {
  asked.length = 0;
  dragged.clear();
  Object.assign(app, { state: planned({ plan: { devices: [device('S2', 2)] } }), ray: 2, device: 'S2', played: 0, trial: null, tool: 'look', errors: [], readOnly: false, said: '', connected: true });
});

/** Answers everything that is asked, as the server would: trials with nothing, edits with a state of the next row. */
async function answerAll() {
  for (let n = 0; ; ) {
    await rest();
    if (n === asked.length) return;
    const { what, answer } = asked[n++];
    const seq = app.state.seq + 1;
    answer(what.endsWith('/try') ? { rays: [], devices: [] } : { seq, state: planned({ seq, plan: { devices: [device('S2', 2)] } }) });
  }
}

test('a step in each freedom moves the head of the ray the way it is called', () => {
  // The second ray: base at (20, 0, 0), head 60 mm on along y. z is dorsal.
  const head = (freedom, amount) => apply(stepped(plan(), 2, freedom, amount), [20, 60, 0]);
  near(head('distal', 1), [20, 61, 0]);
  near(head('dorsal', 2), [20, 60, 2]);
  near(head('lateral', 3), [23, 60, 0]);
  near(head('abduction', 90), [80, 0, 0]); // to lateral, about the base
  near(head('abduction', -90), [-40, 0, 0]);
  near(head('plantarflexion', 90), [20, 0, -60]);
  near(head('pronation', 90), [20, 60, 0]); // about its own axis
  // The dorsum turns to medial.
  near(apply(stepped(plan(), 2, 'pronation', 90), [20, 0, 5]), [15, 0, 0]);
  app.state = planned({ side: 'left' });
  near(head('lateral', 3), [17, 60, 0]);
  near(head('abduction', 90), [-40, 0, 0]);
  near(head('plantarflexion', 90), [20, 0, -60]);
  near(apply(stepped(plan(), 2, 'pronation', 90), [20, 0, 5]), [25, 0, 0]);
});

test('a turn is about the base where the hand has brought it', () => {
  dragged.set(2, moved(0, 0, 10));
  near(apply(stepped(plan(), 2, 'plantarflexion', 90), [20, 60, 0]), [20, 0, -50]);
});

test('a ray without a pose or an axis is not stepped', () => {
  app.state = planned({ plan: { rays: [ray(1, { transform: null }), ray(2)], axis: { 1: { base: [0, 0, 0], head: [0, 1, 0] } } } });
  assert.equal(stepped(plan(), 1, 'lateral', 1), null);
  assert.equal(stepped(plan(), 2, 'lateral', 1), null);
  assert.equal(axisOf(plan(), 2), null);
});

test('which rays go back', () => {
  assert.equal(goesBack(ray(1)), false);
  assert.equal(goesBack(ray(1, { state: 'displaced' })), true);
  assert.equal(goesBack(ray(1, { by_hand: true })), true);
  assert.equal(goesBack(ray(1, { state: 'cannot be told' })), false, 'left where it stands');
  assert.equal(goesBack(ray(1, { state: 'cannot be told', transform: moved(0, 0, 0.1) })), true);
  assert.equal(goesBack(null), false);
});

test('the reduction is played ray by ray in its order', () => {
  app.state = planned({ plan: { reduction: { order: [3, 2], method: 'congruence' } } });
  const at = (played) => ((app.played = played), [1, 2, 3].map(playedOf));
  assert.deepEqual(at(0), [0, 0, 0]);
  assert.deepEqual(at(0.25), [0, 0, 0.25]);
  assert.deepEqual(at(1.5), [0, 0.5, 1]);
  assert.deepEqual(at(2), [1, 1, 1], 'one that is in no order stands at its end with the last');
});

test('a body is shown on its way from the scan to its place', () => {
  const body = { ...plan().bodies[1], injured_to_reduced: moved(8, 0, 0) };
  app.state = planned({ plan: { bodies: [body], rays: [ray(2, { transform: moved(8, 0, 0) })], reduction: { order: [2], method: 'congruence' } } });
  const x = (played) => ((app.played = played), apply(shownPose(plan(), body), [12, 0, 0])[0]);
  assert.deepEqual([x(0), x(0.25), x(1)], [12, 14, 20]);
  near(((app.played = 0.25), baseShown(plan(), 2)), [14, 0, 0]);
});

test('a fragment goes along with its ray in the hand', () => {
  // It lies 1 mm off its place on the bone; the ray, planned 5 mm along x, is held at 7.
  const fragment = { id: 'M2.1', name: 'fragment', ray: 2, injured_to_reduced: moved(5, 1, 0), confidence: 1, doubt: '', by_hand: false };
  app.state = planned({ plan: { bodies: [fragment], rays: [ray(2, { transform: moved(5, 0, 0) })] } });
  near(reducedPose(plan(), fragment), moved(5, 1, 0));
  dragged.set(2, moved(7, 0, 0));
  near(reducedPose(plan(), fragment), moved(7, 1, 0));
  dragged.clear();
  app.trial = { devices: [], rays: [ray(2, { transform: moved(6, 0, 0) })] };
  near(reducedPose(plan(), fragment), moved(6, 1, 0));
});

test('home views look from where they say', () => {
  assert.deepEqual(homeView(plan(), 'dorsal', 2), { from: [0, 0, 1], up: [0, 1, 0] });
  near(homeView(plan(), 'lateral', 2).from, [1, 0, 0]);
  near(homeView(plan(), 'medial', 2).from, [-1, 0, 0]);
  near(homeView(plan(), 'plantar', 2).from, [0, 0, -1]);
  near(homeView(plan(), 'along', 2).from, [0, 1, 0]); // from the toes
  app.state = planned({ side: 'left' });
  near(homeView(plan(), 'lateral', 2).from, [-1, 0, 0]);
});

test('a device: its ends follow the hand, and one edit is kept', async () => {
  dragDevice('S2', 'tip', [1, 0, 0]);
  dragDevice('S2', 'tip', [1, 0, 0]);
  dragDevice('S2', 'both', [0, 0, 2]);
  assert.deepEqual(deviceUnderHand(), { id: 'S2', entry: [0, 0, 2], tip: [2, 30, 2] });
  const dropped = dropDevice();
  await answerAll();
  await dropped;
  const kept = asked.filter((a) => a.what.endsWith('/edits')).map(({ body: { token: _, ...sent } }) => sent);
  assert.deepEqual(kept, [{ kind: 'device.set', id: 'S2', entry: [0, 0, 2], tip: [2, 30, 2] }]);
  assert.equal(deviceUnderHand(), null);
  assert.equal(app.said, 'S2: 30 mm, all checks met');
  await dropDevice();
  assert.equal(asked.filter((a) => a.what.endsWith('/edits')).length, 1, 'nothing in hand, nothing sent');
});

test('a ray: moved and turned by the hand, kept when it is let go', async () => {
  dragRay(2, [1, 0, 0]);
  dragRay(2, [0, 2, 0]);
  near(dragged.get(2), moved(1, 2, 0));
  turnRay(2, [0, 0, 1], [1, 2, 0], Math.PI / 2);
  near(apply(dragged.get(2), [0, 0, 0]), [1, 2, 0]);
  near(apply(dragged.get(2), [1, 0, 0]), [1, 3, 0]);
  const pose = dragged.get(2);
  const dropped = dropRay(2);
  await answerAll();
  await dropped;
  const [kept] = asked.filter((a) => a.what.endsWith('/edits'));
  assert.deepEqual([kept.body.kind, kept.body.ray, kept.body.transform], ['ray.move', 2, pose]);
  assert.equal(dragged.has(2), false);
  assert.equal(app.said, 'second ray: gap 1 mm, step 0.5 mm, overlap 0 mm');
});

test('a run of presses is one edit, with all of them in it', async () => {
  for (let i = 0; i < 3; ++i) stepRay(2, 'distal', 0.5);
  near(dragged.get(2), moved(0, 1.5, 0));
  await rest();
  assert.deepEqual(asked.map((a) => a.what), ['POST /api/cases/c1/try'], 'tried at once');
  asked[0].answer({ rays: [], devices: [] });
  (await next(1)).answer({ rays: [], devices: [] });
  const kept = await next(2);
  assert.equal(kept.what, 'POST /api/cases/c1/edits');
  near(kept.body.transform, moved(0, 1.5, 0));
  await answerAll();
  assert.equal(asked.length, 3);
});

test('arrow keys: half a millimetre in the plane of the view, 2 with Shift, or a turn', async () => {
  const way = (dx, dy) => [dx, 0, -dy]; // a view from the toes: right is x, down is plantar
  app.tool = 'move';
  assert.equal(keyRay('ArrowRight', false, way, [0, -1, 0], null), true);
  near(dragged.get(2), moved(0.5, 0, 0));
  assert.equal(keyRay('ArrowUp', true, way, [0, -1, 0], null), true);
  near(dragged.get(2), moved(0.5, 0, 2));
  assert.equal(keyRay('Enter', false, way, [0, -1, 0], null), false, 'no key of the ray');
  dragged.clear();
  app.tool = 'turn';
  keyRay('ArrowRight', false, way, [0, 0, 1], [0, 0, 0]); // 1 degree
  near(apply(dragged.get(2), [1, 0, 0]), [Math.cos(Math.PI / 180), Math.sin(Math.PI / 180), 0]);
  app.readOnly = true;
  assert.equal(keyRay('ArrowRight', false, way, [0, 0, 1], [0, 0, 0]), false);
  dragRay(2, [9, 9, 9]);
  near(apply(dragged.get(2), [0, 0, 0]), [0, 0, 0]);
  app.readOnly = false;
  dragged.clear();
});
