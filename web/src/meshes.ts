// Meshes of a case, fetched once, several at a time.
import { api } from './api';

export interface Mesh {
  xyz: Float32Array;
  abc: Uint32Array;
}

let owner = '';
const meshes = new Map<string, Promise<Mesh>>();

export function mesh(caseId: string, planSeq: string, body: string): Promise<Mesh> {
  const key = `${caseId} ${planSeq}`;
  if (key !== owner) {
    owner = key;
    meshes.clear();
  }
  let m = meshes.get(body);
  if (!m) {
    m = api.mesh(caseId, body);
    m.catch(() => meshes.delete(body));
    meshes.set(body, m);
  }
  return m;
}
