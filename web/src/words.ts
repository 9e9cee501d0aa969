// Words and figures as the trade writes them.
import { h, type JSX } from 'preact';
import { kDeviceMarks } from './facts';
import type { Caution, ChecksShown, Device, Ray, Shift } from './types';
import { decimal, locale, phrase } from './phrases';

/** "second" */
export const ordinal = (ray: number): string => phrase(`ray.${ray}`);
export const rayName = (ray: number): string => phrase('page.ordinal_ray', { ray: ordinal(ray) });
export const capital = (s: string): string => (s ? s[0]!.toUpperCase() + s.slice(1) : s);

/** As the engine writes it but for the sign, and never "-0.0". */
const figure = (x: number, digits: number): string =>
  x.toFixed(digits).replace(/^-(0(\.0+)?)$/, '$1').replace('.', decimal);
export const mm = (x: number | null | undefined, digits = 1): string =>
  x === null || x === undefined || !Number.isFinite(x) ? '–' : phrase('unit.mm', { n: figure(x, digits) });
export const num = (x: number | null | undefined, digits = 1): string =>
  x === null || x === undefined || !Number.isFinite(x) ? '–' : figure(x, digits);
export const deg = (x: number | null | undefined, digits = 0): string =>
  x === null || x === undefined || !Number.isFinite(x) ? '–' : phrase('unit.deg', { n: figure(x, digits) });

/** "5.8 lateral" rather than a signed number. */
export function sense(value: number | null | undefined, plus: string, minus: string, digits = 1): string {
  if (value === null || value === undefined) return '–';
  const rounded = Math.abs(value).toFixed(digits);
  return Number(rounded) === 0 ? `0 ${plus}/${minus}` : `${rounded} ${value > 0 ? plus : minus}`;
}

/** "12° abd", of an angle in degrees. */
export const turnSense = (value: number, plus: string, minus: string): string => sense(value, plus, minus, 0).replace(' ', '° ');

/** "lateral", "plantar"... */
export const wayName = (way: string): string => phrase(`page.way_${way}`);
/** What people read for a key that stands in files and in the state: "not reduced", "in place". */
export const keyName = (key: string): string => phrase(`key.${key.replace(/[ -]/g, '_')}`);

/** A measure's value or limit with its unit, as written where `digits` is not given. */
export const inUnit = (x: number, unit: string, digits?: number): string =>
  phrase(`unit.${unit}`, { n: figure(x, digits ?? (String(x).split('.')[1]?.length ?? 0)) });

/** "6.1 lateral", "3.9 dorsal", "0.2 proximal". */
export const shiftWords = (s: Shift): [string, string, string] => [
  sense(s.lateral, phrase('page.way_lateral'), phrase('page.way_medial')),
  sense(s.dorsal, phrase('page.way_dorsal'), phrase('page.way_plantar')),
  sense(s.distal, phrase('page.way_distal'), phrase('page.way_proximal')),
];

export const stateMark = (state: Ray['state']): JSX.Element =>
  h(
    'svg',
    { class: 'mark', viewBox: '0 0 16 16', 'aria-hidden': 'true' },
    state === 'displaced'
      ? h('path', { d: 'M8 1.5 15 14.5 1 14.5Z', fill: 'var(--found)', stroke: '#7a5200', 'stroke-width': 1 })
      : state === 'in place'
        ? h('circle', { cx: 8, cy: 8, r: 5.5, fill: 'var(--place)' })
        : state === 'cannot be told'
          ? h('path', { d: 'M8 1 13.5 8 8 15 2.5 8Z', fill: 'none', stroke: 'currentColor', 'stroke-width': 2 })
          : h('text', { x: 8, y: 14, 'text-anchor': 'middle', 'font-size': 17, 'font-weight': 700, fill: 'currentColor' }, '?'),
  );

/** Filled for what is thick, a line for a wire. Dark stays, purple comes out; broken: with the definitive ones in place. */
export const deviceMark = (d: Pick<Device, 'kind' | 'fate'>): JSX.Element => {
  const mark = kDeviceMarks[d.kind]!;
  const colour = d.fate === 'stays' ? 'var(--stay)' : 'var(--out)';
  return h(
    'svg',
    { class: 'mark', viewBox: '0 0 16 16', 'aria-hidden': 'true' },
    mark.filled
      ? h('path', { d: mark.path, fill: colour })
      : h('path', { d: mark.path, fill: 'none', stroke: colour, 'stroke-width': 2, 'stroke-dasharray': d.fate === 'temporary' ? '3 2' : null }),
  );
};

export const fate = (d: Pick<Device, 'fate'>): string => phrase(`page.fate_${d.fate}`);

export const textOf = (c: string | Caution): string => (typeof c === 'string' ? c : c.text);
export const sourceOf = (c: string | Caution): string => (typeof c === 'string' ? '' : (c.source ?? ''));

export function bytes(n: number): string {
  if (n < 1024) return `${n} B`;
  if (n < 1024 * 1024) return `${(n / 1024).toFixed(0)} kB`;
  return `${(n / 1024 / 1024).toFixed(1)} MB`;
}

// A date alone is read as midnight UTC: written in another zone it would be the day before.
export const longDay = (iso: string): string =>
  new Date(iso).toLocaleDateString(locale, { weekday: 'long', day: 'numeric', month: 'long', year: 'numeric', timeZone: 'UTC' });
/** "20260105" and ISO both become "5 Jan 2026". */
export function day(text: string | null | undefined): string {
  if (!text) return '–';
  const iso = /^\d{8}$/.test(text) ? `${text.slice(0, 4)}-${text.slice(4, 6)}-${text.slice(6, 8)}` : text;
  const d = new Date(iso);
  if (Number.isNaN(d.getTime())) return text;
  return d.toLocaleDateString(locale, { day: 'numeric', month: 'short', year: 'numeric', timeZone: 'UTC' });
}
/** Where the workstation stands, as 2026-01-31. */
export const today = (now = new Date()): string =>
  [now.getFullYear(), now.getMonth() + 1, now.getDate()].map((n) => String(n).padStart(2, '0')).join('-');
export function clock(text: string): string {
  const d = new Date(text);
  return Number.isNaN(d.getTime())
    ? text
    : d.toLocaleString(locale, { day: 'numeric', month: 'short', hour: '2-digit', minute: '2-digit' });
}
/** DICOM writes "FAMILY^GIVEN". */
export const person = (text: string | null | undefined): string =>
  text ? text.split('^').filter(Boolean).join(', ') : '–';

const kCheckNames: Record<string, [string, (v: number) => string]> = {
  inside_fraction: [phrase('page.inside_bone'), (v) => `${(100 * v).toFixed(0)} %`],
  cortex_margin_mm: [phrase('page.margin_cortex'), (v) => mm(v)],
  nearest_device_mm: [phrase('page.nearest_other_device'), (v) => mm(v)],
  joint_area_lost_percent: [phrase('page.joint_surface_lost'), (v) => phrase('unit.percent', { n: num(v, 1) })],
  tip_beyond_cortex_mm: [phrase('page.tip_beyond_far_cortex'), (v) => mm(v)],
  crossing_off_centre_mm: [phrase('page.off_middle_joint'), (v) => mm(v)],
  entry_to_joint_mm: [phrase('page.entry_joint'), (v) => mm(v)],
  angle_to_shaft_deg: [phrase('page.angle_shaft'), (v) => deg(v)],
  angle_to_surface_deg: [phrase('page.angle_surface'), (v) => deg(v)],
  crossing_angle_deg: [phrase('page.angle_joint'), (v) => deg(v)],
  length_in_first_mm: [phrase('page.length_first_bone'), (v) => mm(v)],
  length_in_last_mm: [phrase('page.length_last_bone'), (v) => mm(v)],
  mean_hu: [phrase('page.mean_density'), (v) => phrase('unit.hu', { n: num(v, 0) })],
  pullout_n: [phrase('page.pull_out_estimated'), (v) => phrase('unit.n', { n: num(v, 0) })],
};
export function checkRows(checks: Partial<ChecksShown>): [string, string][] {
  const rows: [string, string][] = [];
  for (const [key, [name, write]] of Object.entries(kCheckNames)) {
    const v = checks[key as keyof ChecksShown];
    if (typeof v === 'number') rows.push([name, write(v)]);
  }
  const others = checks['other_bones'];
  if (Array.isArray(others) && others.length) rows.push([phrase('page.also_enters'), others.join(', ')]);
  return rows;
}

/** Pattern names as printed. */
export function pattern(p: { quenu_kuss?: string; hardcastle?: string; myerson?: string } | undefined | null): string {
  if (!p) return '';
  const kUntold: Ray['state'] = 'cannot be told';
  const untold = keyName(kUntold);
  if ([p.quenu_kuss, p.hardcastle, p.myerson].every((name) => name === kUntold)) return phrase('page.pattern', { k_untold: untold });
  const parts = [
    p.quenu_kuss === kUntold ? phrase('page.qu_nu_ss', { k_untold: untold }) : p.quenu_kuss ? keyName(p.quenu_kuss) : '',
    p.hardcastle ? phrase('page.hardcastle', { hardcastle: keyName(p.hardcastle) }) : '',
    p.myerson ? phrase('page.myerson_2', { myerson: keyName(p.myerson) }) : '',
  ];
  return capital(parts.filter(Boolean).join(' · '));
}
