// What the tree of elements leaves alone when it is drawn anew: views that look after themselves, and what is being typed.
import { Component, createRef, h, type InputHTMLAttributes, type JSX } from 'preact';

/** Shows an element that is made and kept elsewhere; the place that was drawn last has it. */
export class Host extends Component<{ element: Element }> {
  private readonly place = createRef<HTMLDivElement>();

  override componentDidMount(): void {
    this.put();
  }
  override componentDidUpdate(): void {
    this.put();
  }
  private put(): void {
    const { element } = this.props;
    if (element.parentNode !== this.place.current) this.place.current?.replaceChildren(element);
  }
  override render(): JSX.Element {
    return h('div', { class: 'host', ref: this.place });
  }
}

export const host = (element: Element, key: string): JSX.Element => h(Host, { element, key });

type FieldProps = Omit<InputHTMLAttributes<HTMLInputElement>, 'value'> & { value: string | number; rows?: number; 'data-test'?: string };

/**
 * A field that is sent when the person is done with it. Until then what they type is theirs, whatever else is drawn
 * meanwhile, unless the program itself changed the value. With `rows` a field of several lines.
 */
export class Field extends Component<FieldProps> {
  private readonly field = createRef<HTMLInputElement & HTMLTextAreaElement>();

  override componentDidMount(): void {
    this.put(true);
  }
  override componentDidUpdate(before: FieldProps): void {
    this.put(before.value !== this.props.value);
  }
  private put(fresh: boolean): void {
    const field = this.field.current;
    const value = String(this.props.value);
    if (field && (fresh || field !== document.activeElement) && field.value !== value) field.value = value;
  }
  override render({ value: _, ...rest }: FieldProps): JSX.Element {
    return h(this.props.rows ? 'textarea' : 'input', { ...rest, ref: this.field });
  }
}
