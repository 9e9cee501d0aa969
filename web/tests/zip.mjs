// A plain archive, nothing compressed; names are written as given, good or bad.
import { crc32 } from 'node:zlib';

export function zipOf(files) {
  const parts = [];
  const central = [];
  let at = 0;
  for (const [name, data] of files) {
    const n = Buffer.from(name, 'utf8');
    const fixed = Buffer.alloc(26);
    fixed.writeUInt16LE(20, 0); // version
    fixed.writeUInt16LE(0x0800, 2); // names in UTF-8
    fixed.writeUInt16LE(0x5a21, 8); // a day in 2025
    fixed.writeUInt32LE(crc32(data), 10);
    fixed.writeUInt32LE(data.length, 14);
    fixed.writeUInt32LE(data.length, 18);
    fixed.writeUInt16LE(n.length, 22);
    parts.push(Buffer.from('PK\x03\x04'), fixed, n, data);
    const where = Buffer.alloc(14);
    where.writeUInt32LE(at, 10);
    central.push(Buffer.from('PK\x01\x02\x14\x00', 'latin1'), fixed, where, n);
    at += 30 + n.length + data.length;
  }
  const size = central.reduce((s, b) => s + b.length, 0);
  const end = Buffer.alloc(22);
  end.write('PK\x05\x06', 'latin1');
  end.writeUInt16LE(files.length, 8);
  end.writeUInt16LE(files.length, 10);
  end.writeUInt32LE(size, 12);
  end.writeUInt32LE(at, 16);
  return Buffer.concat([...parts, ...central, end]);
}
