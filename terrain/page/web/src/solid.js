// The site in 3D: the ground of each level with its layer, what stands on it as points, the sole, areas people decided.

import {
  BufferAttribute,
  BufferGeometry,
  Color,
  DoubleSide,
  GLSL3,
  Group,
  Line,
  LineBasicMaterial,
  LineLoop,
  Mesh,
  MeshBasicMaterial,
  PerspectiveCamera,
  Points,
  Raycaster,
  Scene,
  ShaderMaterial,
  ShapeUtils,
  Vector2,
  Vector3,
  WebGLRenderer,
} from "three";
import { OrbitControls } from "three/examples/jsm/controls/OrbitControls.js";
import { lookup } from "./palette.js";
import { getBytes } from "./net.js";

const STEEP_M = 0.07,
  POINTS_FIRST = 120_000,
  POINTS_MOST = 480_000;

const GROUND = new ShaderMaterial({
  glslVersion: GLSL3,
  side: DoubleSide,
  polygonOffset: true,
  polygonOffsetFactor: 1,
  polygonOffsetUnits: 1,
  uniforms: { width: { value: 1 } },
  vertexShader: `in vec3 tint; in float ink; flat out vec3 vTint; flat out float vInk; out vec3 vAt;
    void main() { vTint = tint; vInk = ink; vAt = position; gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0); }`,
  fragmentShader: `precision highp float; flat in vec3 vTint; flat in float vInk; in vec3 vAt; uniform float width; out vec4 colour;
    bool stroke(float d) { return mod(d, 10.0) < width; }
    void main() {
      vec3 n = normalize(cross(dFdx(vAt), dFdy(vAt)));
      float light = 0.72 + 0.28 * abs(dot(n, normalize(vec3(0.35, -0.25, 0.9))));
      float x = floor(gl_FragCoord.x), y = floor(gl_FragCoord.y);
      bool inked = (vInk > 0.5 && vInk < 2.5 && stroke(x - y)) || (vInk > 1.5 && vInk < 2.5 && stroke(x + y))
        || (vInk > 2.5 && mod(y, 9.0) < 1.0 + width && mod(x + 9.0 * mod(floor(y / 9.0), 2.0), 18.0) < 1.0 + width);
      colour = vec4(inked ? vec3(0.2) : vTint * light, 1.0);
    }`,
});
const DOTS = new ShaderMaterial({
  uniforms: { size: { value: 2 } },
  vertexShader: `attribute float ground; uniform float size; varying float shade; varying float keep;
    void main() { shade = 0.30 + 0.45 * position.z; keep = ground > 0.5 ? 0.0 : 1.0; vec4 at = modelViewMatrix * vec4(position, 1.0); gl_Position = projectionMatrix * at; gl_PointSize = size; }`,
  fragmentShader: `varying float shade; varying float keep; void main() { if (keep < 0.5) discard; gl_FragColor = vec4(vec3(shade), 1.0); }`,
});

export class Solid {
  constructor(box, state, calls) {
    Object.assign(this, { box, state, calls, grounds: new Map(), asked: false });
    this.renderer = new WebGLRenderer({ antialias: false, powerPreference: "low-power" });
    this.renderer.setPixelRatio(Math.min(window.devicePixelRatio || 1, 1.5));
    this.canvas = this.renderer.domElement;
    this.canvas.tabIndex = 0;
    this.canvas.setAttribute("role", "application");
    this.canvas.setAttribute(
      "aria-label",
      "Site in 3D. Arrow keys turn the view, plus and minus zoom. The verdict beside it says the same in words.",
    );
    box.replaceChildren(this.canvas);
    this.scene = new Scene();
    this.camera = new PerspectiveCamera(45, 1, 0.05, 2000);
    this.camera.up.set(0, 0, 1);
    this.controls = new OrbitControls(this.camera, this.canvas);
    this.controls.maxPolarAngle = Math.PI * 0.52;
    this.controls.addEventListener("change", () => this.draw());
    this.marks = new Group();
    this.scene.add(this.marks);
    const [x0, y0, x1, y1] = state.extent;
    this.origin = new Vector3((x0 + x1) / 2, (y0 + y1) / 2, state.heights[0]);
    this.size = Math.hypot(x1 - x0, y1 - y0);
    this.#home();
    this.#listen();
    new ResizeObserver(() => this.#resize()).observe(box);
    this.#resize();
  }

  #home() {
    this.controls.target.set(0, 0, 0.3);
    this.camera.position.set(-0.3 * this.size, -0.52 * this.size, 0.46 * this.size);
    this.controls.update();
  }

  home() {
    this.#home();
    this.draw();
  }

  zoom(factor) {
    this.camera.position.sub(this.controls.target).divideScalar(factor).add(this.controls.target);
    this.controls.update();
    this.draw();
  }

  toSole() {
    const { load_m: load } = this.state.answer?.contact || {
      load_m: [this.state.sole.x, this.state.sole.y, this.origin.z],
    };
    this.controls.target.set(
      load[0] - this.origin.x,
      load[1] - this.origin.y,
      (load[2] ?? this.origin.z) - this.origin.z,
    );
    const away = this.camera.position.clone().sub(this.controls.target).setLength(1.6);
    if (away.z < 0.7) away.z = 0.7;
    this.camera.position.copy(this.controls.target).add(away);
    this.controls.update();
    this.draw();
  }

  #resize() {
    const w = this.box.clientWidth,
      h = this.box.clientHeight;
    if (!w || !h) return;
    this.renderer.setSize(w, h, false);
    this.camera.aspect = w / h;
    this.camera.updateProjectionMatrix();
    this.draw();
  }

  draw() {
    if (this.asked) return;
    this.asked = true;
    requestAnimationFrame(() => {
      this.asked = false;
      if (this.box.hidden) return;
      const dark = getComputedStyle(document.documentElement).getPropertyValue("--sky").trim();
      this.renderer.setClearColor(new Color(dark));
      GROUND.uniforms.width.value =
        Number(getComputedStyle(document.documentElement).getPropertyValue("--stroke")) || 1;
      this.renderer.render(this.scene, this.camera);
    });
  }

  // ------------------------------------------------------------------ what is there

  async refresh() {
    const { layer, revision, site, level } = this.state,
      wanted = `${layer.key} ${revision}`;
    await Promise.all(
      site.levels.map(async (one) => {
        let known = this.grounds.get(one.level);
        if (!known || known.wanted !== wanted) {
          const buffer = await getBytes(`api/mesh/${one.level}/${layer.key}?r=${encodeURIComponent(revision)}`);
          if (known) {
            this.scene.remove(known.mesh);
            known.mesh.geometry.dispose();
          }
          known = { wanted, mesh: new Mesh(this.#ground(buffer), GROUND) };
          this.grounds.set(one.level, known);
          this.scene.add(known.mesh);
        }
        known.mesh.visible = level === null || level === one.level;
      }),
    );
    this.sole();
    if (!this.dots && site.has_points) this.#points();
  }

  #ground(buffer) {
    const [nx, ny, x0, y0, step] = new Float64Array(buffer, 0, 5),
      n = nx * ny;
    const z = new Float32Array(buffer, 40, n),
      code = new Uint8Array(buffer, 40 + 4 * n, n);
    const { colour, ink } = lookup(
      this.state.layer,
      this.state.scales.get(this.state.layer.key) || { low: 0, high: 1 },
    );
    const number = new Int32Array(n).fill(-1),
      at = [],
      tint = [],
      inks = [];
    for (let k = 0; k < n; k++) {
      if (Number.isNaN(z[k])) continue;
      number[k] = at.length / 3;
      at.push(
        x0 + (k % nx) * step - this.origin.x,
        y0 + Math.floor(k / nx) * step - this.origin.y,
        z[k] - this.origin.z,
      );
      const c = colour[code[k]];
      tint.push(c & 255, (c >> 8) & 255, (c >> 16) & 255);
      inks.push(ink[code[k]]);
    }
    const index = [];
    const flat = (...ks) => {
      let low = Infinity,
        high = -Infinity;
      for (const k of ks) {
        if (number[k] < 0) return false;
        low = Math.min(low, z[k]);
        high = Math.max(high, z[k]);
      }
      return high - low < Math.max(STEEP_M, step);
    };
    for (let r = 0; r + 1 < ny; r++)
      for (let c = 0; c + 1 < nx; c++) {
        const a = r * nx + c,
          b = a + 1,
          d = a + nx,
          e = d + 1;
        if (flat(a, b, e)) index.push(number[a], number[b], number[e]);
        if (flat(a, e, d)) index.push(number[a], number[e], number[d]);
      }
    const geometry = new BufferGeometry();
    geometry.setAttribute("position", new BufferAttribute(new Float32Array(at), 3));
    geometry.setAttribute("tint", new BufferAttribute(new Uint8Array(tint), 3, true));
    geometry.setAttribute("ink", new BufferAttribute(new Uint8Array(inks), 1));
    geometry.setIndex(new BufferAttribute(new Uint32Array(index), 1));
    return geometry;
  }

  async #points() {
    this.dots = new Group();
    this.scene.add(this.dots);
    for (let start = 0, count = POINTS_FIRST; start < POINTS_MOST; start += count) {
      const buffer = await getBytes(`api/points?start=${start}&count=${count}`);
      const [total, here, lx, ly, lz, sx, sy, sz] = new Float64Array(buffer, 0, 8);
      if (!here) break;
      const geometry = new BufferGeometry();
      geometry.setAttribute("position", new BufferAttribute(new Uint16Array(buffer, 64, 3 * here), 3, true));
      geometry.setAttribute("ground", new BufferAttribute(new Uint8Array(buffer, 64 + 6 * here, here), 1));
      const dots = new Points(geometry, DOTS);
      dots.scale.set(sx, sy, sz);
      dots.position.set(lx - this.origin.x, ly - this.origin.y, lz - this.origin.z);
      dots.frustumCulled = false;
      this.dots.add(dots);
      this.draw();
      if (start + here >= total) break;
      await new Promise((done) => setTimeout(done, 400));
    }
  }

  // Draw the sole on its resting plane, what carries it, and the areas decided on.
  sole() {
    for (const child of [...this.marks.children]) {
      this.marks.remove(child);
      child.geometry.dispose();
      child.material.dispose();
    }
    const { answer, decisions } = this.state;
    for (const rule of decisions.in_force) this.#area(rule);
    if (answer) {
      const { contact } = answer,
        here = ([x, y, z]) =>
          new Vector3(x - this.origin.x, y - this.origin.y, (z ?? this.origin.z) - this.origin.z + 0.004);
      const corners = contact.outline_m.map(here);
      if (corners.every((corner) => Number.isFinite(corner.z))) {
        const faces = ShapeUtils.triangulateShape(
          corners.map((corner) => new Vector2(corner.x, corner.y)),
          [],
        );
        const plane = new BufferGeometry().setFromPoints(corners);
        plane.setIndex(faces.flat());
        this.marks.add(
          new Mesh(
            plane,
            new MeshBasicMaterial({
              color: contact.has_plane ? 0x003c82 : 0x777777,
              transparent: true,
              opacity: 0.55,
              side: DoubleSide,
              depthTest: false,
            }),
          ),
        );
        this.#loop(corners, 0x000000);
        const load = here(contact.load_m);
        this.#path([load, load.clone().add(new Vector3(0, 0, 0.4))], 0x000000);
        if (contact.hull_m.length > 2) {
          const lift = ([x, y]) => here([x, y, planeAt(answer, x, y)]);
          this.#loop(contact.hull_m.map(lift), 0xffffff);
          if (contact.nearest_m) this.#path([lift(contact.nearest_m), load], 0xffffff);
        }
      }
    }
    this.draw();
  }

  #loop(points, color) {
    this.marks.add(
      new LineLoop(new BufferGeometry().setFromPoints(points), new LineBasicMaterial({ color, depthTest: false })),
    );
  }

  #path(points, color) {
    this.marks.add(
      new Line(new BufferGeometry().setFromPoints(points), new LineBasicMaterial({ color, depthTest: false })),
    );
  }

  #area(rule) {
    const z = this.#heightNear(rule),
      corners = rule.area_m.map(([x, y]) => new Vector3(x - this.origin.x, y - this.origin.y, z));
    const keep = rule.kind === "keep-out",
      at = [],
      tall = keep ? 0.5 : 0.15;
    corners.forEach((a, k) => {
      const b = corners[(k + 1) % corners.length],
        up = new Vector3(0, 0, tall);
      const [c, d] = [a.clone().add(up), b.clone().add(up)];
      at.push(a, b, d, a, d, c);
    });
    const color = keep ? 0x2a1446 : 0x00285a;
    this.marks.add(
      new Mesh(
        new BufferGeometry().setFromPoints(at),
        new MeshBasicMaterial({
          color,
          transparent: true,
          opacity: keep ? 0.55 : 0.35,
          side: DoubleSide,
          depthWrite: false,
        }),
      ),
    );
    this.#loop(
      corners.map((corner) => corner.clone().add(new Vector3(0, 0, tall))),
      0x000000,
    );
  }

  #heightNear(rule) {
    const x = rule.area_m.reduce((s, p) => s + p[0], 0) / rule.area_m.length - this.origin.x,
      y = rule.area_m.reduce((s, p) => s + p[1], 0) / rule.area_m.length - this.origin.y;
    const ray = new Raycaster(new Vector3(x, y, 1000), new Vector3(0, 0, -1));
    const hit = ray.intersectObjects(
      [...this.grounds.values()].map((one) => one.mesh).filter((mesh) => mesh.visible),
    )[0];
    return hit ? hit.point.z : 0;
  }

  #listen() {
    let down = null;
    this.canvas.addEventListener("pointerdown", (event) => {
      down = [event.clientX, event.clientY];
    });
    this.canvas.addEventListener("pointerup", (event) => {
      if (!down || Math.hypot(event.clientX - down[0], event.clientY - down[1]) > 5) return;
      const box = this.canvas.getBoundingClientRect();
      const ray = new Raycaster();
      ray.setFromCamera(
        new Vector2(((event.clientX - box.left) / box.width) * 2 - 1, 1 - ((event.clientY - box.top) / box.height) * 2),
        this.camera,
      );
      const hit = ray.intersectObjects(
        [...this.grounds.values()].map((one) => one.mesh).filter((mesh) => mesh.visible),
      )[0];
      if (hit) this.calls.soleTo(hit.point.x + this.origin.x, hit.point.y + this.origin.y, null);
    });
    this.canvas.addEventListener("keydown", (event) => {
      const turn = { ArrowLeft: [0.1, 0], ArrowRight: [-0.1, 0], ArrowUp: [0, -0.08], ArrowDown: [0, 0.08] }[event.key];
      if (turn) this.#turn(...turn);
      else if (event.key === "+" || event.key === "=") this.zoom(1.2);
      else if (event.key === "-") this.zoom(1 / 1.2);
      else if (event.key === "c" || event.key === "C") this.toSole();
      else return;
      event.preventDefault();
    });
  }

  #turn(round, tip) {
    const away = this.camera.position.clone().sub(this.controls.target),
      length = away.length();
    const yaw = Math.atan2(away.y, away.x) + round,
      polar = Math.min(Math.max(Math.acos(away.z / length) + tip, 0.02), Math.PI * 0.5);
    away.set(Math.cos(yaw) * Math.sin(polar), Math.sin(yaw) * Math.sin(polar), Math.cos(polar)).multiplyScalar(length);
    this.camera.position.copy(this.controls.target).add(away);
    this.controls.update();
    this.draw();
  }
}

// Height of the sole's plane at a spot, from three of its corners.
function planeAt(answer, x, y) {
  const [a, b, c] = answer.contact.outline_m;
  const ux = b[0] - a[0],
    uy = b[1] - a[1],
    vx = c[0] - a[0],
    vy = c[1] - a[1],
    det = ux * vy - uy * vx;
  const s = ((x - a[0]) * vy - (y - a[1]) * vx) / det,
    t = (ux * (y - a[1]) - uy * (x - a[0])) / det;
  return a[2] + s * (b[2] - a[2]) + t * (c[2] - a[2]);
}
