// What is asked to be settled, and the ways to do so.
import assert from 'node:assert/strict';
import { beforeEach, test } from 'node:test';
import { asked, rest } from './server.mjs';
import { settle } from '../src/settle.ts';
import { app } from '../src/store.ts';
import { identity, moved, planned, ray } from './state.mjs';
import { all, find, ofType, textOf } from './tree.mjs';

const kRay = { ray: 4, bones: [], what: 'It cannot be told whether the fourth ray is displaced.', settle: 'A CT of the other foot would settle it.', remedies: ['other foot', 'film', 'place by hand'] };
const kBones = { ray: null, bones: ['C3'], what: 'The plan stands on a bone that may be wrong.', settle: 'Correct it.', remedies: ['correct bones'] };
const open = (questions, fourth = {}, id = 'c1') => {
  const rays = [1, 2, 3, 4, 5].map((n) => ray(n, n === 4 ? { state: 'cannot be told', ...fourth } : {}));
  app.state = planned({ id, plan: { open_questions: questions, rays } });
};
const ways = (tree) => ofType(tree, 'button').map(textOf);

beforeEach(() => {
  asked.length = 0;
  Object.assign(app, { state: null, place: 'injury', readOnly: false, trial: null });
});

test('nothing open, nothing said', () => {
  assert.equal(settle(), null);
  open([]);
  assert.equal(settle(), null);
});

test('each question with its sentence, its remedy and the ways there', () => {
  open([kRay, kBones], { transform: moved(0, 0, 2) });
  const tree = settle();
  assert.match(textOf(find(tree, 'settle-4')), /cannot be told whether the fourth ray is displaced\. A CT of the other foot would settle it\./);
  assert.deepEqual(ways(find(tree, 'settle-4')), ['Give the other foot', 'Add a film', 'It is in place', 'It is displaced, as planned', 'Place it by hand']);
  assert.deepEqual(ways(find(tree, 'settle-bones')), ['Correct the bones']);
});

test('"displaced, as planned" is there only where the plan moves the ray', () => {
  open([kRay]);
  assert.deepEqual(ways(find(settle(), 'settle-4')), ['Give the other foot', 'Add a film', 'It is in place', 'Place it by hand']);
});

test('the answers are poses: as scanned, or as planned', async () => {
  open([kRay], { transform: moved(0, 0, 2) });
  const press = async (test) => {
    find(settle(), test).props.onClick();
    await rest();
    const { body, answer } = asked.pop();
    answer({ seq: 10, state: app.state });
    await rest();
    return [body.kind, body.ray, body.transform];
  };
  assert.deepEqual(await press('settle-in-place-4'), ['ray.move', 4, identity()]);
  assert.deepEqual(await press('settle-as-planned-4'), ['ray.move', 4, moved(0, 0, 2)]);
});

test('folded it says in brief what is open, until something else is', () => {
  open([kRay, kBones]);
  const hidden = () => [...all(settle())].find((e) => e?.props?.id === 'settle-list').props.hidden;
  assert.equal(hidden(), false);
  find(settle(), 'settle-fold').props.onClick();
  assert.equal(hidden(), true);
  assert.match(textOf(settle()), /Fourth ray cannot be told · C3 may be wrong/);
  assert.equal(find(settle(), 'settle-fold').props['aria-expanded'], 'false');
  open([kRay]);
  assert.equal(hidden(), false, 'another question');
  open([kRay, kBones], {}, 'c2');
  assert.equal(hidden(), false, 'another case');
});

test('in theatre, and on the second screen, it is only said', () => {
  open([kRay]);
  app.place = 'theatre';
  assert.match(textOf(settle()), /cannot be told/);
  assert.deepEqual(ways(settle()), []);
  app.place = 'injury';
  app.readOnly = true;
  assert.deepEqual(ways(find(settle(), 'settle-4')), []);
});
