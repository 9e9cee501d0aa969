// Vectors and rigid motions, against what is known from drawing them on paper.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { add, angleAt, apply, clamp, compose, cross, dist, dot, identity, inverse, len, mul, part, sub, translation, turnAbout, unit } from '../src/math.ts';

const kQuarter = Math.PI / 2;
const near = (a, b, within = 1e-12) => {
  const [x, y] = [a, b].map((v) => [v].flat(2));
  assert.equal(x.length, y.length);
  x.forEach((v, i) => assert.ok(Math.abs(v - y[i]) <= within, `${JSON.stringify(a)} for ${JSON.stringify(b)}`));
};

test('vectors', () => {
  assert.deepEqual(add([1, 2, 3], [10, 20, 30]), [11, 22, 33]);
  assert.deepEqual(sub([1, 2, 3], [10, 20, 30]), [-9, -18, -27]);
  assert.deepEqual(mul([1, -2, 3], 2), [2, -4, 6]);
  assert.equal(dot([1, 2, 3], [4, 5, 6]), 32);
  assert.equal(len([3, 4, 12]), 13);
  assert.equal(dist([1, 1, 1], [4, 5, 13]), 13);
  near(unit([0, 3, 4]), [0, 0.6, 0.8]);
  assert.deepEqual(unit([0, 0, 0]), [0, 0, 0], 'no direction, and no division by zero');
  assert.deepEqual([clamp(-1, 1, 5), clamp(3, 1, 5), clamp(9, 1, 5)], [1, 3, 5]);
});

test('the cross product is right-handed', () => {
  assert.deepEqual(cross([1, 0, 0], [0, 1, 0]), [0, 0, 1]);
  assert.deepEqual(cross([0, 1, 0], [0, 0, 1]), [1, 0, 0]);
  assert.deepEqual(cross([0, 1, 0], [1, 0, 0]), [0, 0, -1]);
});

test('angles at a corner', () => {
  near(angleAt([5, 0, 0], [0, 0, 0], [0, 0.1, 0]), 90, 1e-9);
  near(angleAt([1, 0, 0], [0, 0, 0], [0.5, Math.sqrt(3) / 2, 0]), 60, 1e-9);
  // Lines through one point in odd directions: the cosine may come out a little beyond 1.
  for (let i = 1; i < 50; ++i) {
    const v = [Math.sin(i), Math.cos(3 * i), 0.1 * i];
    near(angleAt(v, [0, 0, 0], mul(v, 7 / i)), 0, 1e-5);
    near(angleAt(v, [0, 0, 0], mul(v, -7 / i)), 180, 1e-5);
  }
});

test('a quarter turn about z takes x to y, y to -x, and leaves z', () => {
  const q = turnAbout([0, 0, 7], [0, 0, 0], kQuarter); // the length of the axis says nothing
  near(apply(q, [1, 0, 0]), [0, 1, 0]);
  near(apply(q, [0, 1, 0]), [-1, 0, 0]);
  near(apply(q, [0, 0, 1]), [0, 0, 1]);
});

test('a turn about a centre keeps the centre', () => {
  const q = turnAbout([0, 0, 1], [1, 0, 0], kQuarter);
  near(apply(q, [1, 0, 5]), [1, 0, 5]);
  near(apply(q, [2, 0, 0]), [1, 1, 0]);
  near(apply(q, [0, 0, 0]), [1, -1, 0]);
});

test('a third of a turn about the diagonal takes x to y to z to x', () => {
  const t = turnAbout([1, 1, 1], [0, 0, 0], (2 * Math.PI) / 3);
  near(apply(t, [1, 0, 0]), [0, 1, 0]);
  near(apply(t, [0, 1, 0]), [0, 0, 1]);
  near(apply(t, [0, 0, 1]), [1, 0, 0]);
});

test('the right one of two composed motions comes first', () => {
  const turn = turnAbout([0, 0, 1], [0, 0, 0], kQuarter);
  const go = translation([1, 0, 0]);
  near(apply(compose(turn, go), [0, 0, 0]), [0, 1, 0]);
  near(apply(compose(go, turn), [0, 0, 0]), [1, 0, 0]);
  near(compose(turn, identity()), turn);
});

test('the inverse takes everything back', () => {
  const m = compose(translation([1, 2, 3]), turnAbout([0, 0, 1], [0, 0, 0], kQuarter));
  near(apply(m, [1, 0, 0]), [1, 3, 3]);
  near(apply(inverse(m), [1, 3, 3]), [1, 0, 0]);
  // The origin came from where a quarter turn back takes (-1, -2, -3).
  near(apply(inverse(m), [0, 0, 0]), [-2, 1, -3]);
  near(compose(inverse(m), m), identity());
});

test('half of a motion: the pivot half way on a straight line, the rest turned by half the angle', () => {
  // A quarter turn about the origin, then 10 along x.
  const m = compose(translation([10, 0, 0]), turnAbout([0, 0, 1], [0, 0, 0], kQuarter));
  const half = part(m, [0, 0, 0], 0.5);
  near(apply(half, [0, 0, 0]), [5, 0, 0]);
  near(apply(half, [2, 0, 0]), [5 + Math.SQRT2, Math.SQRT2, 0]);
  assert.deepEqual(part(m, [0, 0, 0], 0), identity());
  assert.deepEqual(part(m, [0, 0, 0], -1), identity());
  assert.equal(part(m, [0, 0, 0], 1), m, 'in the end to the bit');
  // A point that the motion leaves where it is stays there all the way.
  const about = turnAbout([0, 0, 1], [3, 4, 0], kQuarter);
  near(apply(part(about, [3, 4, 0], 0.3), [3, 4, 0]), [3, 4, 0]);
  near(part(translation([0, 8, 0]), [1, 1, 1], 0.25), translation([0, 2, 0]));
});
