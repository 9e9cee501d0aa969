// A small tree of elements that is made anew and patched in place, so that focus, selection and scroll stay.

export type Child = VNode | string | number | null | undefined | false | Child[];
type Handler = (event: never) => void;
export type Props = Record<string, unknown> & { key?: string; class?: string };

export interface VNode {
  tag: string;
  key: string | undefined;
  props: Props;
  kids: (VNode | string)[];
  node?: Element;
}

function flat(children: Child[], into: (VNode | string)[]): (VNode | string)[] {
  for (const c of children) {
    if (c === null || c === undefined || c === false) continue;
    if (Array.isArray(c)) flat(c, into);
    else if (typeof c === 'object') into.push(c);
    else {
      // Neighbouring texts become one, as the browser would join them.
      const last = into[into.length - 1];
      if (typeof last === 'string') into[into.length - 1] = last + String(c);
      else into.push(String(c));
    }
  }
  return into;
}

/** h('button.primary', {onclick}, 'Plan'): classes may stand after the tag. */
export function h(name: string, props?: Props | null, ...children: Child[]): VNode {
  const [tag, ...classes] = name.split('.');
  const p: Props = props ?? {};
  const cls = [...classes, p.class].filter(Boolean).join(' ');
  return { tag: tag || 'div', key: p.key, props: cls ? { ...p, class: cls } : p, kids: flat(children, []) };
}

/** An element that looks after itself, in the tree. */
export const host = (element: Element, key: string): VNode => ({ tag: '#host', key, props: {}, kids: [], node: element });

const kSvg = 'http://www.w3.org/2000/svg';
const special = new Set(['key', 'ref']);

function setProp(el: Element, name: string, value: unknown, old: unknown): void {
  if (special.has(name)) return;
  if (name.startsWith('on')) {
    if (value !== old) (el as unknown as Record<string, unknown>)[name] = (value as Handler | undefined) ?? null;
    return;
  }
  if (name === 'value' || name === 'checked' || name === 'indeterminate' || name === 'open') {
    const target = el as unknown as Record<string, unknown>;
    // What the person is typing is theirs until it was sent, except where the program itself changed it.
    if (name === 'value' && el === document.activeElement && value === old && el.tagName !== 'SELECT') return;
    if (name === 'open' && value === old) return;
    if (target[name] !== value) target[name] = value ?? (name === 'value' ? '' : false);
    return;
  }
  if (value === old) return;
  if (value === null || value === undefined || value === false) el.removeAttribute(name);
  else el.setAttribute(name, value === true ? '' : String(value));
}

function create(v: VNode | string, svg: boolean): Node {
  if (typeof v === 'string') return document.createTextNode(v);
  if (v.tag === '#host') return v.node!;
  const inSvg = svg || v.tag === 'svg';
  const el = inSvg ? document.createElementNS(kSvg, v.tag) : document.createElement(v.tag);
  v.node = el;
  fill(el, v.kids, inSvg && v.tag !== 'foreignObject');
  // After the children: a select takes its value only once its options are there.
  for (const [name, value] of Object.entries(v.props)) setProp(el, name, value, undefined);
  const ref = v.props['ref'];
  if (typeof ref === 'function') ref(el);
  return el;
}

// What was made of a parent's children. Their nodes are kept too: a host may have been taken to another parent.
const kids = new WeakMap<Element, { of: (VNode | string)[]; nodes: Node[] }>();
const same = (a: VNode | string, b: VNode | string): boolean =>
  typeof a === 'string' || typeof b === 'string'
    ? typeof a === typeof b
    : a.tag === b.tag && a.key === b.key && (a.tag !== '#host' || a.node === b.node);

function update(node: Node, old: VNode | string, now: VNode | string, svg: boolean): void {
  if (typeof now === 'string') {
    if (now !== old) node.textContent = now;
    return;
  }
  if (now.tag === '#host') return;
  const before = old as VNode;
  const el = node as Element;
  now.node = el;
  const inSvg = svg || now.tag === 'svg';
  fill(el, now.kids, inSvg && now.tag !== 'foreignObject');
  for (const name of Object.keys(before.props))
    if (!(name in now.props)) setProp(el, name, undefined, before.props[name]);
  for (const [name, value] of Object.entries(now.props)) setProp(el, name, value, before.props[name]);
}

/** Makes the children of `parent` those of `now`. */
export function fill(parent: Element, now: (VNode | string)[], svg = false): void {
  const { of: before, nodes } = kids.get(parent) ?? { of: [], nodes: [] };
  const keyed = new Map<string, number>();
  before.forEach((v, i) => {
    if (typeof v !== 'string' && v.key !== undefined) keyed.set(v.key, i);
  });
  const used = new Set<number>();
  const next: Node[] = [];
  let cursor = 0;
  for (const v of now) {
    let at = -1;
    if (typeof v !== 'string' && v.key !== undefined) {
      const i = keyed.get(v.key);
      if (i !== undefined && !used.has(i) && same(before[i]!, v)) at = i;
    } else {
      while (cursor < before.length && (used.has(cursor) || isKeyed(before[cursor]!))) ++cursor;
      if (cursor < before.length && same(before[cursor]!, v)) at = cursor;
      if (cursor < before.length) ++cursor;
    }
    if (at >= 0) {
      used.add(at);
      update(nodes[at]!, before[at]!, v, svg);
      next.push(nodes[at]!);
    } else {
      next.push(create(v, svg));
    }
  }
  const keep = new Set(next);
  for (const n of nodes) if (!keep.has(n) && n.parentNode === parent) parent.removeChild(n);
  next.forEach((n, i) => {
    if (parent.childNodes[i] !== n) parent.insertBefore(n, parent.childNodes[i] ?? null);
  });
  kids.set(parent, { of: now, nodes: next });
}

const isKeyed = (v: VNode | string): boolean => typeof v !== 'string' && v.key !== undefined;

export function render(parent: Element, ...children: Child[]): void {
  fill(parent, flat(children, []));
}
