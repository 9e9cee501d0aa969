// Words over a view, placed in pixels. Styles are set one by one: the page allows none written into its elements.

export interface Label {
  cls: string;
  text: string;
  x?: number;
  y?: number;
}

export function putLabels(into: HTMLElement, labels: Label[]): void {
  while (into.children.length > labels.length) into.lastElementChild!.remove();
  while (into.children.length < labels.length) into.append(document.createElement('span'));
  labels.forEach((l, i) => {
    const e = into.children[i] as HTMLElement;
    if (e.className !== l.cls) e.className = l.cls;
    if (e.textContent !== l.text) e.textContent = l.text;
    e.style.left = l.x === undefined ? '' : `${l.x.toFixed(1)}px`;
    e.style.top = l.y === undefined ? '' : `${l.y.toFixed(1)}px`;
  });
}
