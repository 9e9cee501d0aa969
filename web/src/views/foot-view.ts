// The foot in space: bones as scanned, where they belong, or on the way; devices; measures.
import {
  AmbientLight,
  BufferAttribute,
  BufferGeometry,
  Color,
  CylinderGeometry,
  DirectionalLight,
  DoubleSide,
  FrontSide,
  Group,
  LatheGeometry,
  Material,
  Matrix4,
  Mesh,
  MeshBasicMaterial,
  MeshLambertMaterial,
  Object3D,
  OrthographicCamera,
  Quaternion,
  Raycaster,
  Scene,
  Vector2,
  Vector3,
  WebGLRenderer,
} from 'three';
import { kColours } from '../facts';
import { goesBack, homeView, middle, reducedPose, shownPose, baseShown } from '../foot';
import { angleAt, apply, cross, dist, dot, identity, inverse, mul, sub, unit } from '../math';
import { mesh } from '../meshes';
import { deviceUnderHand, dragRay, dropRay, keyRay, turnRay } from '../moves';
import { addMeasure, app, devicesNow, footState, order, selectDevice, selectRay, say, told, changed } from '../store';
import type { Body, Device, Mat, Measure, Plan, Vec } from '../types';
import { mm, num, wayName } from '../words';
import { follow } from './drag';
import { deviceHandles, type DeviceHandles } from './handles';
import { putLabels, type Label } from './labels';
import { phrase } from '../phrases';

const kBone = 0xd9d2c3;

interface Shown {
  body: Body;
  solid: Mesh<BufferGeometry, MeshLambertMaterial>;
  ghost: Mesh<BufferGeometry, MeshBasicMaterial>;
}

const matrixOf = (m: Mat): Matrix4 => new Matrix4().set(...(m.flat() as Parameters<Matrix4['set']>));
const v3 = (v: Vec): Vector3 => new Vector3(v[0], v[1], v[2]);
const vec = (v: Vector3): Vec => [v.x, v.y, v.z];

export class FootView {
  readonly element = document.createElement('div');
  /** Chosen by the person. */
  readonly fadeOf: Record<string, number> = { fixation: 0.5, followup: 0.4 };
  ghost = true;
  measures = true;
  devices = true;
  temporary = true;
  hidden = new Set<string>();

  private readonly canvas = document.createElement('canvas');
  private readonly labels = document.createElement('div');
  private readonly lines = document.createElementNS('http://www.w3.org/2000/svg', 'svg');
  private readonly scene = new Scene();
  private readonly camera = new OrthographicCamera(-1, 1, 1, -1, 1, 2000);
  private readonly renderer: WebGLRenderer | null;
  private readonly bodies = new Map<string, Shown>();
  private readonly metal = new Group();
  private readonly light = new DirectionalLight(0xffffff, 2.1);
  private readonly handles: DeviceHandles;
  private turn = new Quaternion();
  private target = new Vector3();
  private height = 150; // mm from top to bottom
  private loaded = '';
  private queued = false;
  private points: Vec[] = [];
  private grabbed: 'view' | 'pan' | 'ray' | 'turn' | null = null;
  private metalKey = '';
  private firstDrawn = false;

  constructor() {
    this.element.className = 'view foot-view';
    this.element.tabIndex = 0;
    this.element.setAttribute('role', 'application');
    this.element.setAttribute(
      'aria-label',
      phrase('page.foot_space_arrow_keys_turn_plus'),
    );
    this.element.dataset['test'] = 'view-foot';
    this.labels.className = 'labels';
    this.lines.setAttribute('class', 'overlay');
    this.lines.setAttribute('aria-hidden', 'true');
    this.canvas.setAttribute('aria-hidden', 'true');
    this.element.append(this.canvas, this.lines, this.labels);
    try {
      this.renderer = new WebGLRenderer({ canvas: this.canvas, antialias: true, alpha: true });
      this.renderer.setClearColor(0, 0);
    } catch {
      this.renderer = null;
      const p = document.createElement('p');
      p.className = 'empty';
      p.textContent =
        phrase('page.browser_gives_no_webgl_foot_cannot');
      this.element.append(p);
    }
    this.scene.add(new AmbientLight(0xffffff, 1.25), this.camera, this.metal);
    this.camera.add(this.light, this.light.target);
    this.light.position.set(-0.5, 0.9, 1);
    this.light.target.position.set(0, 0, -1);
    this.handles = deviceHandles(
      'handle-3d',
      (dx, dy) => this.inSpace(dx, dy),
      () => this.pixelsPerMm(),
    );
    if (this.renderer) this.element.append(this.handles.entry, this.handles.tip);
    new ResizeObserver(() => this.draw()).observe(this.element);
    this.follow();
  }

  get fade(): number {
    return this.fadeOf[app.place] ?? 0;
  }

  /** Keeps up with what the page shows. */
  update(): void {
    const state = app.state;
    const plan = state?.plan;
    if (!state || !plan) return;
    const planRow = [...state.history].reverse().find((r) => r.kind === 'plan');
    const key = `${state.id} ${planRow?.seq ?? 0}`;
    if (key !== this.loaded) {
      this.loaded = key;
      this.clear();
      this.home('dorsal');
      this.load(state.id, key, plan);
    }
    this.draw();
  }

  home(name: string): void {
    const plan = app.state?.plan;
    if (!plan) return;
    const { from, up } = homeView(plan, name, app.ray);
    this.look(from, up);
    this.target = v3(middle(plan));
    this.height = name === 'medial' || name === 'lateral' ? 130 : 165;
    this.draw();
  }
  zoom(factor: number): void {
    this.height = Math.max(15, Math.min(500, this.height / factor));
    this.draw();
  }

  private look(from: Vec, up: Vec): void {
    const z = unit(from);
    const x = unit(cross(up, z));
    const y = cross(z, x);
    this.turn.setFromRotationMatrix(new Matrix4().makeBasis(v3(x), v3(y), v3(z)));
  }

  private clear(): void {
    for (const s of this.bodies.values()) {
      this.scene.remove(s.solid, s.ghost);
      s.solid.geometry.dispose();
      s.solid.material.dispose();
      s.ghost.material.dispose();
    }
    this.bodies.clear();
    this.metalKey = '';
    this.points = [];
  }

  private load(id: string, key: string, plan: Plan): void {
    // What the operation is about first.
    const bodies = [...plan.bodies].sort((a, b) => (a.ray ? 0 : 1) - (b.ray ? 0 : 1));
    for (const body of bodies)
      mesh(id, key, body.id)
        .then((m) => {
          if (this.loaded !== key || this.bodies.has(body.id)) return;
          const g = new BufferGeometry();
          g.setAttribute('position', new BufferAttribute(m.xyz, 3));
          g.setIndex(new BufferAttribute(m.abc, 1));
          g.computeVertexNormals();
          g.computeBoundingSphere();
          const solid = new Mesh(g, new MeshLambertMaterial({ color: kBone, side: FrontSide }));
          const ghost = new Mesh(
            g,
            new MeshBasicMaterial({ color: kColours.found, transparent: true, opacity: 0.16, depthWrite: false, side: FrontSide }),
          );
          for (const o of [solid, ghost]) {
            o.matrixAutoUpdate = false;
            o.userData['body'] = body.id;
            this.scene.add(o);
          }
          ghost.renderOrder = 2;
          this.bodies.set(body.id, { body, solid, ghost });
          this.draw();
        })
        .catch(told);
  }

  draw(): void {
    if (this.queued) return;
    this.queued = true;
    requestAnimationFrame(() => {
      this.queued = false;
      this.paint();
    });
  }

  private paint(): void {
    const plan = app.state?.plan;
    const width = this.element.clientWidth;
    const height = this.element.clientHeight;
    if (!plan || !this.renderer || width < 2 || height < 2) return;
    const ratio = Math.min(2, window.devicePixelRatio || 1);
    if (this.canvas.width !== Math.round(width * ratio) || this.canvas.height !== Math.round(height * ratio)) {
      this.renderer.setPixelRatio(ratio);
      this.renderer.setSize(width, height, false);
    }
    const half = this.height / 2;
    const side = (half * width) / height;
    Object.assign(this.camera, { left: -side, right: side, top: half, bottom: -half });
    this.camera.quaternion.copy(this.turn);
    this.camera.position.copy(this.target).add(new Vector3(0, 0, 800).applyQuaternion(this.turn));
    this.camera.updateProjectionMatrix();
    this.camera.updateMatrixWorld();

    this.pose(plan);
    this.metalOf();
    this.renderer.render(this.scene, this.camera);
    this.annotate(plan, width, height);
    if (!this.firstDrawn && this.bodies.size >= Math.min(5, plan.bodies.length)) {
      this.firstDrawn = true;
      performance.mark('foot-shown');
      this.element.dataset['shown'] = 'true';
    }
    this.element.dataset['bodies'] = String(this.bodies.size);
  }

  private pose(plan: Plan): void {
    const done = Math.max(1, order().length);
    const opacity = 1 - this.fade;
    for (const { body: old, solid, ghost } of this.bodies.values()) {
      const body = plan.bodies.find((b) => b.id === old.id) ?? old;
      const now = shownPose(plan, body);
      const whole = reducedPose(plan, body);
      solid.matrix.copy(matrixOf(now));
      solid.matrixWorldNeedsUpdate = true;
      const ray = plan.rays.find((r) => r.ray === body.ray);
      const moves = goesBack(ray);
      const back = app.played >= done || (body.ray !== null && shownFraction(body.ray) >= 1);
      const piece = body.id.includes('.');
      const colour = piece ? kColours.alarm : !moves ? kBone : back ? kColours.place : kColours.found;
      solid.material.color.setHex(colour);
      if (moves && !piece) solid.material.color.lerp(kPaper, body.ray === app.ray ? 0.12 : 0.38);
      solid.material.emissive.setHex(body.ray !== null && body.ray === app.ray ? 0x141414 : 0);
      const see = opacity >= 0.999;
      if (solid.material.transparent === see) {
        solid.material.transparent = !see;
        solid.material.needsUpdate = true;
      }
      solid.material.opacity = opacity;
      solid.visible = !this.hidden.has(body.id) && opacity > 0.02;
      // The other state, seen through.
      const shown = this.ghost && this.fade < 0.2 && moves && !this.hidden.has(body.id) && (app.played <= 0 || app.played >= done);
      ghost.visible = shown;
      if (shown) {
        ghost.material.color.setHex(app.played <= 0 ? kColours.place : kColours.found);
        ghost.matrix.copy(matrixOf(app.played <= 0 ? whole : identity()));
        ghost.matrixWorldNeedsUpdate = true;
      }
    }
  }

  private metalOf(): void {
    const show = this.devices && app.played >= Math.max(1, order().length) && app.place !== 'reduction';
    const list = show ? devicesNow().filter((d) => this.temporary || d.stage !== 'temporary' || d.id === app.device) : [];
    const hand = deviceUnderHand();
    const key = JSON.stringify([list.map((d) => [d.id, d.entry, d.tip, d.ok, d.type]), app.device, hand]);
    if (key === this.metalKey) return;
    this.metalKey = key;
    for (const o of [...this.metal.children]) {
      this.metal.remove(o);
      release(o);
    }
    for (const d of list) this.metal.add(deviceSolid(d, d.id === app.device));
  }

  private project(p: Vec): [number, number] {
    const v = v3(p).project(this.camera);
    return [((v.x + 1) / 2) * this.element.clientWidth, ((1 - v.y) / 2) * this.element.clientHeight];
  }
  private pixelsPerMm(): number {
    return this.element.clientHeight / this.height;
  }
  /** A way on the screen, in the patient. */
  private inSpace(dx: number, dy: number): Vec {
    const s = 1 / this.pixelsPerMm();
    return vec(new Vector3(dx * s, -dy * s, 0).applyQuaternion(this.turn));
  }
  private eye(): Vec {
    return vec(new Vector3(0, 0, 1).applyQuaternion(this.turn));
  }

  private annotate(plan: Plan, width: number, height: number): void {
    this.lines.setAttribute('viewBox', `0 0 ${width} ${height}`);
    const parts: string[] = [];
    const labels: Label[] = [];
    const put = (x: number, y: number, text: string, cls: string): void => {
      labels.push({ cls, text, x, y });
    };
    const line = (a: Vec, b: Vec, cls: string, text: string): void => {
      const [x1, y1] = this.project(a);
      const [x2, y2] = this.project(b);
      parts.push(
        `<path class="halo" d="M${x1} ${y1}L${x2} ${y2}"/><path class="${cls}" d="M${x1} ${y1}L${x2} ${y2}"/>` +
          `<circle class="${cls}" cx="${x1}" cy="${y1}" r="2.5"/><circle class="${cls}" cx="${x2}" cy="${y2}" r="2.5"/>`,
      );
      if (text) put((x1 + x2) / 2, (y1 + y2) / 2, text, 'measure');
    };
    if (!this.bodies.size) labels.push({ cls: 'empty', text: phrase('page.bones_their_way') });
    const whole = this.bodies.size > 0 && (app.played <= 0 || app.played >= Math.max(1, order().length));
    if (this.measures && whole) {
      const list = (app.played <= 0 ? plan.measures : plan.measures_reduced) ?? [];
      for (const m of list)
        if (m.from && m.to && this.drawn(m)) line(m.from, m.to, m.abnormal ? 'out' : 'in', `${num(m.value)} ${m.unit === 'deg' ? '°' : m.unit}`);
    }
    for (const m of app.state?.measures_drawn ?? []) {
      if (m.view !== 'foot' && m.view !== 'along' && m.view !== 'across') continue;
      if ((m.state ?? 'reduced') !== footState() || !whole) continue;
      drawHand(m.points, line);
    }
    if (this.points.length) drawHand(this.points, line);
    for (const ray of [1, 2, 3, 4, 5]) {
      const body = plan.bodies.find((b) => b.ray === ray && !b.id.includes('.'));
      const shown = body ? this.bodies.get(body.id) : undefined;
      if (!body || !shown || !shown.solid.visible) continue;
      const c = shown.solid.geometry.boundingSphere!.center;
      const [x, y] = this.project(apply(shownPose(plan, body), [c.x, c.y, c.z]));
      const untold = plan.rays.find((r) => r.ray === ray)?.state === 'cannot be told';
      put(x, y, untold ? `${ray} ◊` : String(ray), `ray-label${untold ? ' untold' : ''}${ray === app.ray ? ' chosen' : ''}`);
    }
    this.lines.innerHTML = parts.join('');
    putLabels(this.labels, [...labels, ...compass(plan, this.turn)]);
    this.placeHandles();
  }

  /** Which of the measures are drawn: all would hide the foot. */
  private drawn(m: Measure): boolean {
    if (chosenMeasures.size) return chosenMeasures.has(m.key);
    if (app.place === 'fixation' || app.place === 'theatre') return false;
    return app.ray <= 2 ? m.key === 'c1_m2_distance' : m.key === `dorsal_step_${app.ray}`;
  }

  private placeHandles(): void {
    const d = devicesNow().find((x) => x.id === app.device);
    const show = !!d && app.place === 'fixation' && this.metal.children.length > 0 && !app.readOnly;
    for (const which of ['entry', 'tip'] as const) {
      const b = this.handles[which];
      b.hidden = !show;
      if (!show || !d) continue;
      const hand = deviceUnderHand();
      const p = hand && hand.id === d.id ? hand[which] : d[which];
      const [x, y] = this.project(p);
      b.style.left = `${x}px`;
      b.style.top = `${y}px`;
    }
  }

  private hit(x: number, y: number): { point: Vec; body?: string; device?: string } | null {
    const at = new Vector2((x / this.element.clientWidth) * 2 - 1, 1 - (y / this.element.clientHeight) * 2);
    const ray = new Raycaster();
    ray.setFromCamera(at, this.camera);
    const metal = ray.intersectObject(this.metal, true)[0];
    if (metal && (app.place === 'fixation' || this.fade > 0)) {
      let o: Object3D | null = metal.object;
      while (o && !o.userData['device']) o = o.parent;
      if (o) return { point: vec(metal.point), device: o.userData['device'] as string };
    }
    const solids = [...this.bodies.values()].filter((s) => s.solid.visible).map((s) => s.solid);
    const bone = ray.intersectObjects(solids, false)[0];
    return bone ? { point: vec(bone.point), body: bone.object.userData['body'] as string } : null;
  }

  private follow(): void {
    follow(this.element, {
      start: (x, y, e) => {
        if (e.button === 2 || e.button === 1 || e.shiftKey) this.grabbed = 'pan';
        else if (app.tool === 'move' && app.played > 0 && !app.readOnly) this.grabbed = 'ray';
        else if (app.tool === 'turn' && app.played > 0 && !app.readOnly) this.grabbed = 'turn';
        else this.grabbed = 'view';
        void x;
        void y;
      },
      move: (dx, dy, x, y) => {
        if (this.grabbed === 'view') this.spin(dx, dy);
        else if (this.grabbed === 'pan') this.shift(dx, dy);
        else if (this.grabbed === 'ray') dragRay(app.ray, this.inSpace(dx, dy));
        else if (this.grabbed === 'turn') this.turnUnderHand(dx, dy, x, y);
      },
      end: (x, y, moved) => {
        const was = this.grabbed;
        this.grabbed = null;
        if (moved) {
          if (was === 'ray' || was === 'turn') void dropRay(app.ray);
          return;
        }
        this.click(x, y);
      },
      pinch: (factor, dx, dy) => {
        this.shift(dx, dy);
        this.zoom(factor);
      },
      wheel: (steps) => this.zoom(Math.pow(0.9, steps)),
    });
    this.element.addEventListener('keydown', (e) => this.key(e));
  }

  private turnUnderHand(dx: number, dy: number, x: number, y: number): void {
    const plan = app.state?.plan;
    const centre = plan && baseShown(plan, app.ray);
    if (!centre) return;
    const [cx, cy] = this.project(centre);
    const before = Math.atan2(y - dy - cy, x - dx - cx);
    const after = Math.atan2(y - cy, x - cx);
    turnRay(app.ray, this.eye(), centre, before - after);
  }

  private spin(dx: number, dy: number): void {
    const k = 0.008;
    const q = new Quaternion().setFromAxisAngle(new Vector3(dy, dx, 0).normalize(), -k * Math.hypot(dx, dy));
    this.turn.multiply(q).normalize();
    this.draw();
  }
  private shift(dx: number, dy: number): void {
    this.target.sub(v3(this.inSpace(dx, dy)));
    this.draw();
  }

  private click(x: number, y: number): void {
    const hit = this.hit(x, y);
    if (!hit) return;
    if (app.tool === 'distance' || app.tool === 'angle') {
      this.points.push(hit.point);
      const need = app.tool === 'distance' ? 2 : 3;
      if (this.points.length === need) {
        addMeasure({ view: 'foot', kind: app.tool, points: this.points, state: footState() });
        say(app.tool === 'distance' ? mm(dist(this.points[0]!, this.points[1]!)) : `${num(angleAt(this.points[0]!, this.points[1]!, this.points[2]!))}°`);
        this.points = [];
      }
      this.draw();
      return;
    }
    if (app.tool === 'place' && app.placing) {
      const plan = app.state?.plan;
      const body = plan?.bodies.find((b) => b.id === hit.body);
      if (!plan || !body) return;
      // Corrections are made in the CT: back to where the point was scanned.
      app.placing.take(apply(inverse(shownPose(plan, body)), hit.point));
      return;
    }
    if (hit.device) selectDevice(hit.device);
    else {
      const ray = app.state?.plan?.bodies.find((b) => b.id === hit.body)?.ray;
      if (ray) selectRay(ray);
    }
  }

  private key(e: KeyboardEvent): void {
    if (e.ctrlKey || e.metaKey || e.altKey || e.target !== this.element) return;
    const homes: Record<string, string> = { d: 'dorsal', m: 'medial', l: 'lateral', p: 'plantar', a: 'along' };
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
    const plan = app.state?.plan;
    const held = (app.tool === 'move' || app.tool === 'turn') && app.played > 0 && plan;
    const scale = this.pixelsPerMm();
    if (held && way) keyRay(e.key, e.shiftKey, (dx, dy) => this.inSpace(dx * scale, dy * scale), mul(this.eye(), -1), baseShown(plan, app.ray));
    else if (way) {
      if (e.shiftKey) this.shift(10 * way[0]!, 10 * way[1]!);
      else this.spin(11 * way[0]!, 11 * way[1]!);
    } else if (e.key === '+' || e.key === '=') this.zoom(1.12);
    else if (e.key === '-') this.zoom(1 / 1.12);
    else if (homes[e.key.toLowerCase()]) this.home(homes[e.key.toLowerCase()]!);
    else if (e.key === 'Escape') {
      this.points = [];
      app.tool = 'look';
      app.placing = null;
      changed();
    } else return;
    e.preventDefault();
    e.stopPropagation();
  }
}

/** Measures chosen in the table; empty: those of the ray. */
export const chosenMeasures = new Set<string>();

const kPaper = new Color(0xf4efe4);

function shownFraction(ray: number): number {
  const at = order().indexOf(ray);
  return at < 0 ? 0 : app.played - at;
}

function drawHand(points: Vec[], line: (a: Vec, b: Vec, cls: string, text: string) => void): void {
  const [a, b, c] = points;
  if (a && b && c) {
    line(a, b, 'hand', '');
    line(b, c, 'hand', `${num(angleAt(a, b, c))}°`);
  } else if (a && b) line(a, b, 'hand', mm(dist(a, b)));
  else if (a) line(a, a, 'hand', '');
}

/** Which way is which, at the edges that face most. */
function compass(plan: Plan, turn: Quaternion): Label[] {
  const f = plan.frame;
  const back = turn.clone().invert();
  const ways: [string, Vec][] = [
    ['distal', f.distal],
    ['proximal', mul(f.distal, -1)],
    ['dorsal', f.dorsal],
    ['plantar', mul(f.dorsal, -1)],
    ['medial', f.medial],
    ['lateral', mul(f.medial, -1)],
  ];
  const edges: [string, Vec][] = [
    ['top', [0, 1, 0]],
    ['bottom', [0, -1, 0]],
    ['left', [-1, 0, 0]],
    ['right', [1, 0, 0]],
  ];
  return edges
    .map(([edge, d]) => {
      let best = '';
      let most = 0.75;
      for (const [word, way] of ways) {
        const s = dot(vec(v3(way).applyQuaternion(back)), d);
        if (s > most) {
          most = s;
          best = word;
        }
      }
      return { cls: `edge ${edge}`, text: best && wayName(best) };
    })
    .filter((l) => l.text);
}

function release(o: Object3D): void {
  o.traverse((x) => {
    if (x instanceof Mesh) {
      (x.geometry as BufferGeometry).dispose();
      (x.material as Material).dispose();
    }
  });
}

function deviceSolid(d: Device, chosen: boolean): Group {
  const group = new Group();
  group.userData['device'] = d.id;
  const r = d.diameter_mm / 2;
  const along = unit(sub(d.tip, d.entry));
  const length = dist(d.entry, d.tip);
  const colour = d.ok === false ? kColours.alarm : d.fate === 'stays' ? kColours.stay : kColours.out;
  const paint = new MeshLambertMaterial({ color: colour, side: DoubleSide, emissive: chosen ? 0x222222 : 0 });
  // While it is dragged its length is ahead of its outline: the part towards the point moves along.
  const made = d.outline[d.outline.length - 1]?.[0] ?? length;
  const profile = d.outline.map(([at, radius]) => new Vector2(radius, at > made / 2 ? at + length - made : at));
  if (profile[0]?.x) profile.unshift(new Vector2(0, profile[0].y));
  const solid = new Mesh(new LatheGeometry(profile, 20), paint);
  group.add(solid);
  if (chosen) {
    const halo = new Mesh(
      new CylinderGeometry(r + 1, r + 1, length, 20, 1, true),
      new MeshBasicMaterial({ color: kColours.place, transparent: true, opacity: 0.22, depthWrite: false }),
    );
    halo.position.set(0, length / 2, 0);
    group.add(halo);
  }
  group.quaternion.setFromUnitVectors(new Vector3(0, 1, 0), v3(along));
  group.position.copy(v3(d.entry));
  return group;
}

