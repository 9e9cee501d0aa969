// Small vectors and rigid motions. A Mat is the rows of a 4 x 4, as the server writes it.
import type { Mat, Vec } from './types';

export const add = (a: Vec, b: Vec): Vec => [a[0] + b[0], a[1] + b[1], a[2] + b[2]];
export const sub = (a: Vec, b: Vec): Vec => [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
export const mul = (a: Vec, s: number): Vec => [a[0] * s, a[1] * s, a[2] * s];
export const dot = (a: Vec, b: Vec): number => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
export const cross = (a: Vec, b: Vec): Vec => [
  a[1] * b[2] - a[2] * b[1],
  a[2] * b[0] - a[0] * b[2],
  a[0] * b[1] - a[1] * b[0],
];
export const len = (a: Vec): number => Math.hypot(a[0], a[1], a[2]);
export const unit = (a: Vec): Vec => {
  const l = len(a);
  return l > 0 ? mul(a, 1 / l) : [0, 0, 0];
};
export const dist = (a: Vec, b: Vec): number => len(sub(a, b));

/** Angle at `b`, degrees. */
export function angleAt(a: Vec, b: Vec, c: Vec): number {
  const u = unit(sub(a, b));
  const v = unit(sub(c, b));
  return (Math.acos(Math.max(-1, Math.min(1, dot(u, v)))) * 180) / Math.PI;
}

export const identity = (): Mat => [
  [1, 0, 0, 0],
  [0, 1, 0, 0],
  [0, 0, 1, 0],
  [0, 0, 0, 1],
];

const cell = (m: Mat, r: number, c: number): number => m[r]?.[c] ?? 0;

export function compose(a: Mat, b: Mat): Mat {
  return [0, 1, 2, 3].map((r) =>
    [0, 1, 2, 3].map((c) => [0, 1, 2, 3].reduce((s, k) => s + cell(a, r, k) * cell(b, k, c), 0)),
  );
}
export function apply(m: Mat, p: Vec): Vec {
  return [0, 1, 2].map((r) => cell(m, r, 0) * p[0] + cell(m, r, 1) * p[1] + cell(m, r, 2) * p[2] + cell(m, r, 3)) as Vec;
}
/** Of a rigid motion. */
export function inverse(m: Mat): Mat {
  const t: Vec = [cell(m, 0, 3), cell(m, 1, 3), cell(m, 2, 3)];
  const rows = [0, 1, 2].map((r) => [cell(m, 0, r), cell(m, 1, r), cell(m, 2, r)] as Vec);
  return [...rows.map((r) => [...r, -dot(r, t)]), [0, 0, 0, 1]];
}
export const translation = (t: Vec): Mat => [
  [1, 0, 0, t[0]],
  [0, 1, 0, t[1]],
  [0, 0, 1, t[2]],
  [0, 0, 0, 1],
];
/** Turn about an axis through `centre`, radians, right-handed. */
export function turnAbout(axis: Vec, centre: Vec, angle: number): Mat {
  const [x, y, z] = unit(axis);
  const c = Math.cos(angle);
  const s = Math.sin(angle);
  const v = 1 - c;
  const r: Mat = [
    [c + x * x * v, x * y * v - z * s, x * z * v + y * s, 0],
    [y * x * v + z * s, c + y * y * v, y * z * v - x * s, 0],
    [z * x * v - y * s, z * y * v + x * s, c + z * z * v, 0],
    [0, 0, 0, 1],
  ];
  const t = sub(centre, apply(r, centre));
  for (let k = 0; k < 3; ++k) r[k]![3] = t[k]!;
  return r;
}

/** Part `t` (0 to 1) of a rigid motion: `pivot` goes straight to its place while the rest turns about it. */
export function part(m: Mat, pivot: Vec, t: number): Mat {
  if (t <= 0) return identity();
  if (t >= 1) return m;
  const trace = cell(m, 0, 0) + cell(m, 1, 1) + cell(m, 2, 2);
  const angle = Math.acos(Math.max(-1, Math.min(1, (trace - 1) / 2)));
  const axis: Vec = [
    cell(m, 2, 1) - cell(m, 1, 2),
    cell(m, 0, 2) - cell(m, 2, 0),
    cell(m, 1, 0) - cell(m, 0, 1),
  ];
  const shift = mul(sub(apply(m, pivot), pivot), t);
  const turn = len(axis) > 1e-9 ? turnAbout(axis, pivot, angle * t) : identity();
  return compose(translation(shift), turn);
}

export const clamp = (x: number, low: number, high: number): number => Math.max(low, Math.min(high, x));
