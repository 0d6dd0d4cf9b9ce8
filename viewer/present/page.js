"use strict";
(() => {
const data = JSON.parse(document.getElementById("data").textContent);
const $ = (id) => document.getElementById(id);
const still = matchMedia("(prefers-reduced-motion: reduce)");
const root = document.documentElement;
const theme = () => root.dataset.theme;

const bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer;
const floats = (text) => new Float32Array(bytes(text));
const whole = (text) => new Uint32Array(bytes(text));
const rgb = (hex) => [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16) / 255);

/* vectors and matrices, columns first */
const sub = (a, b) => [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
const add = (a, b, f = 1) => [a[0] + f * b[0], a[1] + f * b[1], a[2] + f * b[2]];
const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
const unit = (a) => { const l = Math.hypot(...a) || 1; return [a[0] / l, a[1] / l, a[2] / l]; };
const times = (a, b) => {
  const c = new Float32Array(16);
  for (let i = 0; i < 4; i++) for (let j = 0; j < 4; j++) for (let k = 0; k < 4; k++) c[4 * j + i] += a[4 * k + i] * b[4 * j + k];
  return c;
};

const VERTEX = `#version 300 es
precision highp float;
in vec3 base; in vec3 shift; in vec3 later; in float share; in float laterShare; in float key;
uniform mat4 seen; uniform float factor; uniform float after; uniform float lift[8];
uniform bool solid;
out vec3 place; out float worth; flat out float which;
void main() {
  place = base + mix(shift, later, after) * factor;
  if (solid) place.z += lift[int(key + 0.5)];
  worth = share < -5.0 ? share : mix(share, laterShare, after);
  which = key;
  gl_Position = seen * vec4(place, 1.0);
}`;
const FRAGMENT = `#version 300 es
precision highp float;
in vec3 place; in float worth; flat in float which;
uniform bool solid; uniform vec3 colour[8]; uniform vec3 blank; uniform sampler2D ramp; uniform float picked; uniform float dull;
out vec4 told;
void main() {
  vec3 n = normalize(cross(dFdx(place), dFdy(place)));
  float shade = 0.5 + 0.5 * max(n.z, 0.0) + 0.18 * max(dot(n, vec3(-0.9, 0.45, 0.0)), 0.0);
  vec3 c;
  if (solid) { int at = int(which + 0.5); c = colour[at]; if (float(at) == dull) shade = 1.0; }
  else {
    c = worth < -5.0 ? blank : texture(ramp, vec2((clamp(worth, -1.0, 1.0) * 256.0 + 256.5) / 513.0, 0.5)).rgb;
    if (abs(which - picked) < 0.5 && n.z < 0.5) shade *= 0.72;
  }
  told = vec4(c * min(shade, 1.12), 1.0);
}`;

class Scene {
  constructor(canvas) {
    this.canvas = canvas;
    const gl = this.gl = canvas.getContext("webgl2", { antialias: true, alpha: true, powerPreference: "low-power" });
    if (!gl) throw new Error("no WebGL");
    const program = this.program = gl.createProgram();
    for (const [kind, text] of [[gl.VERTEX_SHADER, VERTEX], [gl.FRAGMENT_SHADER, FRAGMENT]]) {
      const part = gl.createShader(kind);
      gl.shaderSource(part, text); gl.compileShader(part);
      if (!gl.getShaderParameter(part, gl.COMPILE_STATUS)) throw new Error(gl.getShaderInfoLog(part));
      gl.attachShader(program, part);
    }
    gl.linkProgram(program);
    if (!gl.getProgramParameter(program, gl.LINK_STATUS)) throw new Error(gl.getProgramInfoLog(program));
    gl.useProgram(program);
    gl.enable(gl.DEPTH_TEST);
    this.at = (name) => gl.getUniformLocation(program, name);
    const ramp = data.ramp.flatMap((c) => [...rgb(c).map((v) => Math.round(255 * v)), 255]);
    gl.bindTexture(gl.TEXTURE_2D, gl.createTexture());
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA, data.ramp.length, 1, 0, gl.RGBA, gl.UNSIGNED_BYTE, new Uint8Array(ramp));
    for (const what of [gl.TEXTURE_MIN_FILTER, gl.TEXTURE_MAG_FILTER]) gl.texParameteri(gl.TEXTURE_2D, what, gl.LINEAR);
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_WRAP_S, gl.CLAMP_TO_EDGE);
    this.bodies = [];
    this.lift = new Float32Array(8);
    this.factor = 1; this.after = 0; this.picked = -1; this.dull = -1; this.solids = [];
    this.view = { target: [0, 0, 0], yaw: 0, pitch: 0.4, reach: 12, aside: 0 };
    this.fit = 1.2;
    this.asked = false;
    this.redrawn = () => {};
    new ResizeObserver(() => this.ask()).observe(canvas);
  }
  body(arrays, faces, solid) {
    const gl = this.gl, held = gl.createVertexArray();
    gl.bindVertexArray(held);
    for (const [name, size] of [["base", 3], ["shift", 3], ["later", 3], ["share", 1], ["laterShare", 1], ["key", 1]]) {
      const place = gl.getAttribLocation(this.program, name);
      if (place < 0 || !arrays[name]) continue;
      gl.bindBuffer(gl.ARRAY_BUFFER, gl.createBuffer());
      gl.bufferData(gl.ARRAY_BUFFER, arrays[name], gl.STATIC_DRAW);
      gl.enableVertexAttribArray(place);
      gl.vertexAttribPointer(place, size, gl.FLOAT, false, 0, 0);
    }
    gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, gl.createBuffer());
    gl.bufferData(gl.ELEMENT_ARRAY_BUFFER, faces, gl.STATIC_DRAW);
    gl.bindVertexArray(null);
    this.bodies.push({ held, count: faces.length, solid });
  }
  eye() {
    const { yaw, pitch } = this.view, reach = this.far();
    const out = [Math.sin(yaw) * Math.cos(pitch), Math.cos(yaw) * Math.cos(pitch), Math.sin(pitch)];
    const right = unit(cross([-out[0], -out[1], -out[2]], [0, 0, 1]));
    const focus = add(this.view.target, right, this.view.aside * reach * Math.min(1, this.wide() / 1.4));
    return { out, right, up: cross(out, right), focus, place: add(focus, out, reach) };
  }
  far() { return this.view.reach * Math.max(1, this.fit / this.wide()); }
  wide() { return this.canvas.clientWidth / Math.max(this.canvas.clientHeight, 1); }
  matrix() {
    const { out, right, place } = this.eye(), up = cross(out, right);
    const look = new Float32Array([right[0], up[0], out[0], 0, right[1], up[1], out[1], 0, right[2], up[2], out[2], 0,
      -dot(right, place), -dot(up, place), -dot(out, place), 1]);
    const reach = this.far(), near = Math.max(0.05, reach * 0.02), far = reach * 40 + 4000;
    const f = 1 / Math.tan(0.3);
    const lens = new Float32Array([f / this.wide(), 0, 0, 0, 0, f, 0, 0, 0, 0, (far + near) / (near - far), -1, 0, 0, 2 * far * near / (near - far), 0]);
    return times(lens, look);
  }
  onPage(point, seen = this.matrix()) {
    const c = [0, 1, 3].map((row) => seen[row] * point[0] + seen[4 + row] * point[1] + seen[8 + row] * point[2] + seen[12 + row]);
    const { clientWidth: w, clientHeight: h } = this.canvas;
    return { x: (c[0] / c[2] + 1) * w / 2, y: (1 - c[1] / c[2]) * h / 2, before: c[2] > 0 };
  }
  ask() {
    if (this.asked) return;
    this.asked = true;
    requestAnimationFrame(() => { this.asked = false; this.draw(); });
  }
  draw() {
    const gl = this.gl, canvas = this.canvas, fine = Math.min(window.devicePixelRatio || 1, 2);
    const w = Math.max(1, Math.round(canvas.clientWidth * fine)), h = Math.max(1, Math.round(canvas.clientHeight * fine));
    if (canvas.width !== w || canvas.height !== h) { canvas.width = w; canvas.height = h; }
    gl.viewport(0, 0, w, h);
    const look = data.palettes[theme()];
    gl.clearColor(...rgb(look.sky), 1);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    gl.uniformMatrix4fv(this.at("seen"), false, this.matrix());
    gl.uniform1f(this.at("factor"), this.factor); gl.uniform1f(this.at("after"), this.after);
    gl.uniform1f(this.at("picked"), this.picked); gl.uniform1f(this.at("dull"), this.dull);
    gl.uniform1fv(this.at("lift"), this.lift);
    const shades = new Float32Array(24);
    this.solids.forEach((s, i) => shades.set(rgb(s[theme()]), 3 * i));
    gl.uniform3fv(this.at("colour"), shades);
    gl.uniform3fv(this.at("blank"), rgb(look.unknown));
    for (const body of this.bodies) {
      gl.uniform1i(this.at("solid"), body.solid ? 1 : 0);
      gl.bindVertexArray(body.held);
      gl.drawElements(gl.TRIANGLES, body.count, gl.UNSIGNED_INT, 0);
    }
    this.redrawn();
  }
  go(aim, then = () => {}) {
    const from = { ...this.view, target: [...this.view.target] }, begun = performance.now();
    let turn = (aim.yaw ?? from.yaw) - from.yaw;
    turn -= 2 * Math.PI * Math.round(turn / (2 * Math.PI));
    const number = this.way = (this.way || 0) + 1;
    const step = () => {
      if (number !== this.way) return;
      const x = still.matches ? 1 : Math.min(1, (performance.now() - begun) / 700), s = x * x * x * (x * (6 * x - 15) + 10);
      const to = aim.target || from.target;
      this.view.target = from.target.map((v, i) => v + s * (to[i] - v));
      this.view.yaw = from.yaw + s * turn;
      this.view.pitch = from.pitch + s * ((aim.pitch ?? from.pitch) - from.pitch);
      this.view.reach = from.reach * Math.pow((aim.reach ?? from.reach) / from.reach, s);
      this.draw();
      if (x < 1) requestAnimationFrame(step); else then();
    };
    step();
  }
  turn(dx, dy) {
    this.way = (this.way || 0) + 1;
    this.view.yaw += dx; this.view.pitch = Math.min(1.5, Math.max(0.05, this.view.pitch + dy));
    this.ask();
  }
  zoom(by) {
    this.way = (this.way || 0) + 1;
    this.view.reach = Math.min(this.most || 60, Math.max(this.least || 4, this.view.reach * by));
    this.ask();
  }
  controls(tapped, hovered) {
    const fingers = new Map(), canvas = this.canvas;
    let moved = 0, apart = 0, level = 0;
    const spread = () => {
      const [a, b] = [...fingers.values()];
      return [Math.hypot(a.x - b.x, a.y - b.y), (a.y + b.y) / 2];
    };
    canvas.addEventListener("pointerdown", (e) => {
      canvas.setPointerCapture(e.pointerId);
      fingers.set(e.pointerId, { x: e.clientX, y: e.clientY });
      moved = 0;
      if (fingers.size === 2) [apart, level] = spread();
    });
    canvas.addEventListener("pointermove", (e) => {
      const finger = fingers.get(e.pointerId);
      if (!finger) { hovered(e); return; }
      const dx = e.clientX - finger.x, dy = e.clientY - finger.y;
      moved += Math.abs(dx) + Math.abs(dy);
      finger.x = e.clientX; finger.y = e.clientY;
      if (fingers.size === 1) this.turn(dx * 0.006, dy * 0.006);
      else if (fingers.size === 2) {
        const [wide, high] = spread();
        this.zoom(apart / Math.max(wide, 1));
        this.turn(0, (high - level) * 0.006);
        [apart, level] = [wide, high];
      }
    });
    const lifted = (e) => {
      if (fingers.delete(e.pointerId) && e.type === "pointerup" && moved < 6 && !fingers.size) tapped(e);
    };
    canvas.addEventListener("pointerup", lifted);
    canvas.addEventListener("pointercancel", lifted);
    canvas.addEventListener("pointerleave", () => hovered(null));
    canvas.addEventListener("wheel", (e) => {
      if (document.activeElement !== canvas && !e.ctrlKey) return; // else the page could not be scrolled over it
      e.preventDefault(); this.zoom(Math.exp(Math.sign(e.deltaY) * 0.12));
    }, { passive: false });
    canvas.addEventListener("keydown", (e) => {
      const act = {
        ArrowLeft: () => this.turn(-0.12, 0), ArrowRight: () => this.turn(0.12, 0), ArrowUp: () => this.turn(0, 0.08),
        ArrowDown: () => this.turn(0, -0.08), "+": () => this.zoom(0.87), "=": () => this.zoom(0.87), "-": () => this.zoom(1.15),
        Home: () => this.home(), PageUp: () => this.along && this.along(1), PageDown: () => this.along && this.along(-1),
      }[e.key];
      if (act) { e.preventDefault(); act(); }
    });
  }
}

function drawTrack() {
  const scene = new Scene($("track")), s = data.section, n = data.slabs.length;
  const base = floats(s.base), slab = floats(s.slab), axes = floats(s.axes), centre = floats(s.centre), half = floats(s.half), offset = floats(s.offset);
  const offsetAfter = floats(s.offset_after), shift = floats(s.shift), share = floats(s.share);
  const later = shift.slice(), laterShare = share.slice(); // only what is moved differs after the moves
  const movedPoints = whole(s.moved), movedShift = floats(s.moved_shift), movedShare = floats(s.moved_share);
  movedPoints.forEach((at, i) => { later.set(movedShift.subarray(3 * i, 3 * i + 3), 3 * at); laterShare[at] = movedShare[i]; });
  scene.body({ base, shift, later, share, laterShare, key: slab }, whole(s.faces), false);
  scene.body({ base: floats(s.around), key: floats(s.around_key) }, whole(s.around_faces), true);
  scene.solids = s.solids; scene.dull = s.solids.length - 1; scene.most = s.reach; scene.least = 3;
  const three = (array, at) => [array[3 * at], array[3 * at + 1], array[3 * at + 2]];
  const axis = (at, k) => [axes[9 * at + k], axes[9 * at + 3 + k], axes[9 * at + 6 + k]];
  const placed = (at) => add(add(three(centre, at), three(offset, at), scene.factor * (1 - scene.after)), three(offsetAfter, at), scene.factor * scene.after);
  const facing = (at) => { const y = axis(at, 1); return Math.atan2(y[0], y[1]) + 2.3; };
  let chosen = data.shown;

  const lower = () => {
    const down = s.lowered[scene.factor];
    scene.lift.fill(0); for (const at of s.low) scene.lift[at] = -down;
    $("factor").textContent = (scene.after ? "After the planned moves (computed). " : "") + data.factorWords[scene.factor];
  };
  const tell = () => {
    const one = data.slabs[chosen], card = $("card");
    card.replaceChildren();
    const put = (tag, text, look) => { const e = document.createElement(tag); e.textContent = text; if (look) e.className = look; card.append(e); };
    put("p", one.place, "place");
    one.words.forEach((text, i) => put(i ? "p" : "b", text));
    if (scene.after && one.moved) put("p", "Shown as its planned move leaves it: computed, to be measured again.");
  };
  const choose = (at, fly = true) => {
    chosen = Math.min(n - 1, Math.max(0, at));
    scene.picked = chosen; $("slab").value = String(chosen); $("along").value = String(chosen);
    tell();
    if (fly) scene.go({ target: three(centre, chosen), yaw: facing(chosen) }); else scene.ask();
  };
  scene.home = () => { choose(data.shown, false); scene.go({ target: three(centre, data.shown), yaw: facing(data.shown), pitch: 0.44, reach: 13 }); };
  scene.along = (by) => choose(chosen + by);

  const hit = (e) => {
    const box = scene.canvas.getBoundingClientRect(), eye = scene.eye(), tan = Math.tan(0.3);
    const x = ((e.clientX - box.left) / box.width * 2 - 1) * tan * scene.wide(), y = (1 - (e.clientY - box.top) / box.height * 2) * tan;
    const up = cross(eye.out, eye.right);
    const way = unit(add(add([-eye.out[0], -eye.out[1], -eye.out[2]], eye.right, x), up, y));
    let nearest = Infinity, found = -1;
    for (let at = 0; at < n; at++) {
      const from = sub(eye.place, placed(at));
      let low = 0, high = Infinity;
      for (let k = 0; k < 3; k++) {
        const a = axis(at, k), o = dot(from, a) + (k === 2 ? half[3 * at + 2] : 0), d = dot(way, a), r = half[3 * at + k];
        const p = (-r - o) / d, q = (r - o) / d;
        low = Math.max(low, Math.min(p, q)); high = Math.min(high, Math.max(p, q));
      }
      if (low <= high && low < nearest) { nearest = low; found = at; }
    }
    return found;
  };
  const tip = $("tip");
  scene.controls((e) => { const at = hit(e); if (at >= 0) choose(at); }, (e) => {
    const at = e ? hit(e) : -1;
    tip.hidden = at < 0;
    if (at < 0) return;
    const box = scene.canvas.getBoundingClientRect();
    tip.textContent = "Slab " + data.slabs[at].name; tip.style.left = e.clientX - box.left + "px"; tip.style.top = e.clientY - box.top + "px";
  });

  /* names over slabs that are not within, the chosen one first; none over another */
  const marks = $("marks"), marked = data.slabs.map((one, at) => at).filter((at) => data.slabs[at].verdict !== 0);
  const named = new Map();
  scene.redrawn = () => {
    const seen = scene.matrix(), boxes = [], w = scene.canvas.clientWidth, h = scene.canvas.clientHeight;
    const card = $("card"), sheet = $("factor");
    for (const e of [card, sheet]) boxes.push([e.offsetLeft, e.offsetTop, e.offsetLeft + e.offsetWidth, e.offsetTop + e.offsetHeight]);
    for (const e of named.values()) e.hidden = true;
    for (const at of [chosen, ...marked.filter((m) => m !== chosen)]) {
      const spot = scene.onPage(add(placed(at), [0, 0, 0.35]), seen);
      if (!spot.before || spot.x < 0 || spot.x > w || spot.y < 24 || spot.y > h) continue;
      let e = named.get(at);
      if (!e) { e = document.createElement("div"); e.className = "mark"; e.textContent = data.slabs[at].name; marks.append(e); named.set(at, e); e.size = [e.offsetWidth, e.offsetHeight]; }
      e.hidden = false;
      if (!e.size[0]) e.size = [e.offsetWidth, e.offsetHeight];
      const box = [spot.x - e.size[0] / 2, spot.y - e.size[1] - 6, spot.x + e.size[0] / 2, spot.y - 6];
      if (boxes.some((b) => box[0] < b[2] + 4 && box[2] > b[0] - 4 && box[1] < b[3] + 2 && box[3] > b[1] - 2)) { e.hidden = true; continue; }
      boxes.push(box);
      e.style.transform = `translate(${box[0]}px, ${box[1]}px)`;
    }
  };

  for (const button of $("factors").querySelectorAll("button")) button.onclick = () => {
    for (const b of $("factors").querySelectorAll("button")) b.setAttribute("aria-pressed", String(b === button));
    scene.factor = Number(button.dataset.factor); lower(); scene.ask();
  };
  for (const button of document.querySelectorAll("[data-after]")) button.onclick = () => {
    for (const b of document.querySelectorAll("[data-after]")) b.setAttribute("aria-pressed", String(b === button));
    const from = scene.after, to = Number(button.dataset.after), begun = performance.now();
    const step = () => {
      const x = still.matches ? 1 : Math.min(1, (performance.now() - begun) / 800);
      scene.after = from + (to - from) * x * x * (3 - 2 * x);
      lower(); scene.draw();
      if (x < 1) requestAnimationFrame(step); else tell();
    };
    step();
  };
  $("along").oninput = (e) => choose(Number(e.target.value));
  $("slab").onchange = (e) => choose(Number(e.target.value));
  $("before").onclick = () => choose(chosen - 1); $("next").onclick = () => choose(chosen + 1);
  $("nearer").onclick = () => scene.zoom(0.8); $("farther").onclick = () => scene.zoom(1.25);
  $("reset").onclick = () => scene.home();
  scene.factor = data.factor; lower();
  scene.view = { target: three(centre, chosen), yaw: facing(chosen), pitch: 0.44, reach: 13, aside: 0.13 };
  choose(chosen, false);
  return scene;
}

function drawLayers() {
  const scene = new Scene($("parts")), s = data.layers;
  scene.body({ base: floats(s.points), key: floats(s.key) }, whole(s.faces), true);
  scene.solids = s.parts; scene.least = 5; scene.most = 24;
  let apart = 1;
  const set = () => {
    s.parts.forEach((part, i) => { scene.lift[i] = apart * part.lift; });
    scene.view.target = [0, 0.3, -0.2 + 0.98 * apart];
  };
  scene.home = () => scene.go({ yaw: 2.3, pitch: 0.4, reach: 11 });
  scene.view = { target: [0, 0.3, 0.9], yaw: 2.3, pitch: 0.4, reach: 11, aside: 0.17 };
  scene.fit = 1.75;
  set();
  const names = $("names"), lines = $("lines"), labels = s.parts.map((part) => {
    const e = document.createElement("div"), b = document.createElement("b"), t = document.createElement("span");
    b.textContent = part.title; t.textContent = part.note; e.append(b, t); names.append(e);
    return e;
  });
  const NS = lines.namespaceURI, threads = s.parts.map(() => {
    const l = document.createElementNS(NS, "line"), c = document.createElementNS(NS, "circle");
    c.setAttribute("r", "3.6"); lines.append(l, c);
    return [l, c];
  });
  const side = (a, b, c) => (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
  const crossed = (a, b, c, d) => side(a, b, c) * side(a, b, d) < 0 && side(c, d, a) * side(c, d, b) < 0;
  scene.redrawn = () => {
    const seen = scene.matrix(), h = scene.canvas.clientHeight, count = labels.length;
    const hold = s.parts.map((part, i) => { const p = scene.onPage(add(part.hold, [0, 0, scene.lift[i]]), seen); return [p.x, p.y]; });
    const tall = Math.max(...labels.map((e) => e.offsetHeight)), left = Math.min(...labels.map((e) => e.offsetLeft)) - 8;
    const top = 14, pitch = Math.max((h - 28 - tall) / (count - 1), tall + 4);
    const end = labels.map((_, k) => [left, top + tall / 2 + pitch * k]);
    const slot = []; hold.map((p, i) => [p[1], i]).sort((a, b) => a[0] - b[0]).forEach(([, i], k) => { slot[i] = k; });
    for (let round = 0; round < 60; round++) {
      let found = false;
      for (let i = 0; i < count && !found; i++) for (let j = i + 1; j < count && !found; j++)
        if (crossed(hold[i], end[slot[i]], hold[j], end[slot[j]])) { [slot[i], slot[j]] = [slot[j], slot[i]]; found = true; }
      if (!found) break;
    }
    labels.forEach((e, i) => {
      const [x, y] = end[slot[i]];
      e.style.top = y - e.offsetHeight / 2 + "px"; e.style.borderColor = s.parts[i][theme()];
      const [l, c] = threads[i];
      for (const [k, v] of [["x1", hold[i][0]], ["y1", hold[i][1]], ["x2", x], ["y2", y]]) l.setAttribute(k, v);
      c.setAttribute("cx", hold[i][0]); c.setAttribute("cy", hold[i][1]);
    });
  };
  $("apart").oninput = (e) => { apart = Number(e.target.value) / 100; set(); scene.ask(); };
  scene.controls(() => {}, () => {});
  return scene;
}

const scenes = [];
try {
  scenes.push(drawTrack(), drawLayers());
  document.body.dataset.drawn = "yes";
} catch (fault) {
  document.body.classList.add("flatpage"); document.body.dataset.drawn = "no";
  for (const id of ["track", "marks", "factor", "card", "controls", "layers"]) $(id).hidden = true;
  for (const e of document.querySelectorAll(".controls")) e.hidden = true;
  document.querySelector(".still").hidden = false; $("failed").hidden = false;
}
const button = $("theme");
const named = () => { button.textContent = theme() === "dark" ? "Light page" : "Dark page"; button.setAttribute("aria-pressed", String(theme() === "dark")); };
button.onclick = () => { root.dataset.theme = theme() === "dark" ? "light" : "dark"; named(); scenes.forEach((s) => s.draw()); };
named();
})();
