// Poses of the foot: who stands where at a moment of the reduction, axes of rays, directions in the surgeon's words.
import { add, apply, compose, cross, identity, inverse, mul, part, sub, turnAbout, translation, unit } from './math';
import { app, order, rayNow } from './store';
import type { Body, Mat, Plan, Ray, Vec } from './types';

/** Base and head of a ray where it belongs. */
export function axisOf(plan: Plan, ray: number): { base: Vec; head: Vec } | null {
  return plan.axis[ray] ?? null;
}

/** Injured to reduced, with the trial under way. */
export function reducedPose(plan: Plan, body: Body): Mat {
  const own = body.injured_to_reduced ?? identity();
  if (!body.ray) return own;
  const tried = app.trial?.rays.find((r) => r.ray === body.ray)?.transform;
  const kept = plan.rays.find((r) => r.ray === body.ray)?.transform;
  const wished = dragged.get(body.ray);
  const target = wished ?? tried;
  if (!target || !kept || !body.injured_to_reduced) return own;
  // What belongs to the ray goes with it: fragments keep their place on the bone.
  return compose(compose(target, inverse(kept)), own);
}

/** Whether the plan or a hand moves the ray; one that cannot be told is moved where that is likelier. */
export const goesBack = (r: Ray | null | undefined): boolean =>
  !!r && (r.state === 'displaced' || r.by_hand === true || (r.state === 'cannot be told' && !!r.transform?.flat().some((v, i) => v !== (i % 5 ? 0 : 1))));

/** Poses under the hand, before the server has answered. */
export const dragged = new Map<number, Mat>();

/** 0 to 1: how much of this ray's way back has been played. */
export function playedOf(ray: number): number {
  const rays = order();
  const at = rays.indexOf(ray);
  if (at < 0) return app.played >= rays.length && app.played > 0 ? 1 : 0;
  return Math.max(0, Math.min(1, app.played - at));
}

/** Injured to where the body is shown now. */
export function shownPose(plan: Plan, body: Body): Mat {
  const whole = reducedPose(plan, body);
  if (!body.ray) return app.played >= Math.max(1, order().length) ? whole : part(whole, [0, 0, 0], Math.min(1, app.played));
  const axis = axisOf(plan, body.ray);
  const pivot = axis ? apply(inverse(whole), axis.base) : ([0, 0, 0] as Vec);
  return part(whole, pivot, playedOf(body.ray));
}

export type Freedom = 'lateral' | 'dorsal' | 'distal' | 'abduction' | 'plantarflexion' | 'pronation';
export const kFreedoms: { id: Freedom; plus: string; minus: string; turn: boolean }[] = [
  { id: 'lateral', plus: 'lateral', minus: 'medial', turn: false },
  { id: 'dorsal', plus: 'dorsal', minus: 'plantar', turn: false },
  { id: 'distal', plus: 'distal', minus: 'proximal', turn: false },
  { id: 'abduction', plus: 'abduct', minus: 'adduct', turn: true },
  { id: 'plantarflexion', plus: 'plantarflex', minus: 'dorsiflex', turn: true },
  { id: 'pronation', plus: 'pronate', minus: 'supinate', turn: true },
];

/** The ray's pose with a further step in the foot frame: mm or degrees; turns about its base. */
export function stepped(plan: Plan, ray: number, freedom: Freedom, amount: number): Mat | null {
  const now = dragged.get(ray) ?? rayNow(ray)?.transform;
  const axis = axisOf(plan, ray);
  if (!now || !axis) return null;
  const f = plan.frame;
  const lateral = mul(f.medial, -1);
  const shift = { lateral, dorsal: f.dorsal, distal: f.distal }[freedom as 'lateral' | 'dorsal' | 'distal'];
  if (shift) return compose(translation(mul(shift, amount)), now);
  const about = {
    abduction: cross(f.distal, lateral),
    plantarflexion: cross(f.distal, mul(f.dorsal, -1)),
    pronation: cross(f.dorsal, f.medial),
  }[freedom as 'abduction' | 'plantarflexion' | 'pronation'];
  const kept = plan.rays.find((r) => r.ray === ray)?.transform ?? now;
  const base = apply(compose(now, inverse(kept)), axis.base);
  return compose(turnAbout(about, base, (amount * Math.PI) / 180), now);
}

/** The base of a ray where it is shown now. */
export function baseShown(plan: Plan, ray: number): Vec | null {
  const axis = axisOf(plan, ray);
  const body = plan.bodies.find((b) => b.ray === ray);
  if (!axis || !body) return null;
  return apply(compose(shownPose(plan, body), inverse(body.injured_to_reduced ?? identity())), axis.base);
}

/** Camera directions: where the eye stands (from the foot) and what is up. */
export function homeView(plan: Plan, name: string, ray: number): { from: Vec; up: Vec } {
  const f = plan.frame;
  switch (name) {
    case 'plantar':
      return { from: mul(f.dorsal, -1), up: f.distal };
    case 'medial':
      return { from: f.medial, up: f.dorsal };
    case 'lateral':
      return { from: mul(f.medial, -1), up: f.dorsal };
    case 'along': {
      const a = axisOf(plan, ray);
      const from = a ? unit(sub(a.head, a.base)) : f.distal;
      return { from, up: f.dorsal };
    }
    default:
      return { from: f.dorsal, up: f.distal };
  }
}

export const middle = (plan: Plan): Vec => {
  const a = axisOf(plan, 3) ?? axisOf(plan, 2);
  return a ? add(a.base, mul(plan.frame.distal, 6)) : plan.frame.origin;
};
