// The size a PNG tells of itself (its pHYs chunk).

/** Millimetres a pixel, or null where the file does not tell. */
export async function filmScale(blob: Blob): Promise<number | null> {
  const view = new DataView(await blob.slice(0, 4096).arrayBuffer());
  for (let at = 8; at + 12 <= view.byteLength; ) {
    const length = view.getUint32(at);
    const kind = String.fromCharCode(view.getUint8(at + 4), view.getUint8(at + 5), view.getUint8(at + 6), view.getUint8(at + 7));
    if (kind === 'pHYs' && at + 17 <= view.byteLength) {
      const perMetre = view.getUint32(at + 8);
      return view.getUint8(at + 16) === 1 && perMetre > 0 ? 1000 / perMetre : null;
    }
    if (kind === 'IDAT') return null;
    at += 12 + length;
  }
  return null;
}
