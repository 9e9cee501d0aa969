// A real film to stand beside the simulated one, read in the browser: PNG and JPEG as they are, DICOM where its pixels
// are not compressed. For looking only; checks are made by the server.

export interface RealFilm {
  name: string;
  url: string;
}

export async function readFilm(file: File): Promise<RealFilm | string> {
  const head = new Uint8Array(await file.slice(0, 132).arrayBuffer());
  const ascii = (from: number, n: number): string => String.fromCharCode(...head.subarray(from, from + n));
  const picture = ascii(1, 3) === 'PNG' || (head[0] === 0xff && head[1] === 0xd8);
  if (picture) return { name: file.name, url: URL.createObjectURL(file) };
  if (ascii(128, 4) !== 'DICM') return `${file.name} is neither DICOM nor PNG nor JPEG.`;
  return readDicom(file.name, await file.arrayBuffer());
}

interface Tags {
  syntax: string;
  rows: number;
  columns: number;
  allocated: number;
  stored: number;
  signed: boolean;
  samples: number;
  inverted: boolean;
  pixels: { at: number; length: number } | null;
}

const kLong = new Set(['OB', 'OW', 'OF', 'OD', 'OL', 'OV', 'SQ', 'UC', 'UR', 'UT', 'UN', 'SV', 'UV']);

function scan(buffer: ArrayBuffer): Tags | string {
  const v = new DataView(buffer);
  const t: Tags = { syntax: '', rows: 0, columns: 0, allocated: 16, stored: 0, signed: false, samples: 1, inverted: false, pixels: null };
  const text = (at: number, n: number): string =>
    String.fromCharCode(...new Uint8Array(buffer, at, n)).replace(/[\0 ]+$/, '');
  let at = 132;
  let implicit = false;
  while (at + 8 <= v.byteLength) {
    const group = v.getUint16(at, true);
    const tag = (group << 16) | v.getUint16(at + 2, true);
    if (group > 2 && t.syntax === '1.2.840.10008.1.2') implicit = true;
    let length: number;
    let value: number;
    if (implicit && group > 2) {
      length = v.getUint32(at + 4, true);
      value = at + 8;
    } else {
      const vr = text(at + 4, 2);
      if (kLong.has(vr)) {
        if (at + 12 > v.byteLength) break;
        length = v.getUint32(at + 8, true);
        value = at + 12;
      } else {
        length = v.getUint16(at + 6, true);
        value = at + 8;
      }
    }
    const number = (): number => (value + 2 <= v.byteLength ? v.getUint16(value, true) : 0);
    switch (tag) {
      case 0x00020010:
        t.syntax = text(value, length);
        break;
      case 0x00280002:
        t.samples = number();
        break;
      case 0x00280004:
        t.inverted = text(value, length) === 'MONOCHROME1';
        break;
      case 0x00280010:
        t.rows = number();
        break;
      case 0x00280011:
        t.columns = number();
        break;
      case 0x00280100:
        t.allocated = number();
        break;
      case 0x00280101:
        t.stored = number();
        break;
      case 0x00280103:
        t.signed = number() === 1;
        break;
      case 0x7fe00010:
        if (length === 0xffffffff) return 'compressed';
        t.pixels = { at: value, length };
        return t;
    }
    if (length === 0xffffffff) {
      const end = skipSequence(v, value, implicit);
      if (end < 0) return 'damaged';
      at = end;
    } else at = value + length;
  }
  return t;
}

/** Past a sequence of undefined length: depth by its own delimiters. */
function skipSequence(v: DataView, from: number, implicit: boolean): number {
  let depth = 1;
  let at = from;
  while (at + 8 <= v.byteLength) {
    const tag = (v.getUint16(at, true) << 16) | v.getUint16(at + 2, true);
    if (tag === (0xfffee0dd | 0)) {
      at += 8;
      depth -= 1;
      if (depth === 0) return at;
      continue;
    }
    if (tag === (0xfffee000 | 0) || tag === (0xfffee00d | 0)) {
      at += 8; // an item's own elements follow; its length is not needed to walk them
      continue;
    }
    let length = v.getUint32(at + 4, true);
    let value = at + 8;
    if (!implicit) {
      const vr = String.fromCharCode(v.getUint8(at + 4), v.getUint8(at + 5));
      if (kLong.has(vr)) {
        if (at + 12 > v.byteLength) return -1;
        length = v.getUint32(at + 8, true);
        value = at + 12;
      } else length = v.getUint16(at + 6, true);
    }
    if (length === 0xffffffff) {
      depth += 1;
      at = value;
    } else at = value + length;
  }
  return -1;
}

async function readDicom(name: string, buffer: ArrayBuffer): Promise<RealFilm | string> {
  const t = scan(buffer);
  if (typeof t === 'string' || !['1.2.840.10008.1.2', '1.2.840.10008.1.2.1'].includes(t.syntax))
    return `${name} is compressed or damaged DICOM, which the page does not read. Export it uncompressed, or as PNG.`;
  if (!t.pixels || t.samples !== 1 || !t.rows || !t.columns || (t.allocated !== 8 && t.allocated !== 16))
    return `${name} holds no grey picture.`;
  const count = t.rows * t.columns;
  if (t.pixels.length < (count * t.allocated) / 8 || t.pixels.at + (count * t.allocated) / 8 > buffer.byteLength)
    return `${name} is cut off: its picture is not whole.`;
  const v = new DataView(buffer, t.pixels.at);
  const shift = 16 - (t.stored || 16);
  const values = new Float32Array(count);
  for (let i = 0; i < count; ++i)
    values[i] =
      t.allocated === 8
        ? v.getUint8(i)
        : t.signed
          ? (v.getInt16(2 * i, true) << shift) >> shift
          : v.getUint16(2 * i, true) & (0xffff >> shift);
  // Grey between the 1st and the 99th hundredth, as a reader would set it.
  const sample = Float32Array.from({ length: Math.min(count, 20000) }, (_, i) => values[Math.floor((i * count) / Math.min(count, 20000))]!).sort();
  const low = sample[Math.floor(0.01 * (sample.length - 1))]!;
  const high = Math.max(low + 1, sample[Math.floor(0.99 * (sample.length - 1))]!);
  const canvas = document.createElement('canvas');
  canvas.width = t.columns;
  canvas.height = t.rows;
  const context = canvas.getContext('2d')!;
  const image = context.createImageData(t.columns, t.rows);
  for (let i = 0; i < count; ++i) {
    let g = (255 * (values[i]! - low)) / (high - low);
    if (t.inverted) g = 255 - g;
    image.data[4 * i] = image.data[4 * i + 1] = image.data[4 * i + 2] = g;
    image.data[4 * i + 3] = 255;
  }
  context.putImageData(image, 0, 0);
  const blob = await new Promise<Blob | null>((done) => canvas.toBlob(done));
  return blob ? { name, url: URL.createObjectURL(blob) } : `${name} could not be drawn.`;
}
