// Reading what the page would draw, without drawing it.

/** Everything in a tree of elements, from the outside in. */
export function* all(tree) {
  if (Array.isArray(tree)) for (const t of tree) yield* all(t);
  else if (tree !== null && tree !== undefined && typeof tree !== 'boolean') {
    yield tree;
    if (typeof tree === 'object') yield* all(tree.props.children);
  }
}
export const textOf = (tree) => [...all(tree)].filter((t) => typeof t !== 'object').join('');
export const find = (tree, test) => [...all(tree)].find((t) => t?.props?.['data-test'] === test);
export const ofType = (tree, type) => [...all(tree)].filter((t) => t?.type === type);
