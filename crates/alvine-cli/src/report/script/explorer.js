// One time cursor and one window for all views, moved by pointer, keys and buttons.

class Explorer {
  constructor(study, root) {
    const part = (name) => root.querySelector(`#${name}`);
    Object.assign(this, { study, root, clock: new Clock(study), part });
    this.state = { cursor_s: this.beginning(), from_s: study.start_s, to_s: study.end_s, chosen: null };
    const bounds = boundsOf(study);
    this.overview = new Overview(part("overview"), study, this.clock);
    this.strips = new Strips(part("strips"), study, this.clock);
    this.solid = new Solid(part("solid"), study, bounds);
    this.planes = Object.entries(PLANES).map(([name, plane]) => new Plane(part(name), study, bounds, plane));
    this.views = [this.overview, this.strips, ...this.planes, this.solid];
    part("strips").style.height = `${Strips.height(study)}px`;
    this.colours = palette();
    // Half the narrowest window: a few spans.
    this.narrowest_s = Math.min(20 * study.signal.width_s, study.length_s);
  }

  start() {
    this.listen();
    new ResizeObserver(() => this.redraw()).observe(this.root);
    this.redraw();
    document.fonts?.ready.then(() => this.repaint());
  }

  // Where the cursor stands first: at the first finding, or else in the middle of the longest phase inside the body.
  beginning() {
    const finding = this.study.events.find((event) => event.kind === "finding");
    if (finding) return Math.min(Math.max(finding.time_s, this.study.start_s), this.study.end_s);
    const inside = this.study.phases.filter((phase) => phase.phase !== "outside");
    const longest = inside.sort((one, other) => other.end_s - other.start_s - (one.end_s - one.start_s))[0];
    return longest ? 0.5 * (longest.start_s + longest.end_s) : this.study.start_s;
  }

  // Draws at the next frame, once however often it was asked for.
  redraw() {
    if (this.due) return;
    this.due = true;
    requestAnimationFrame(() => {
      this.due = false;
      this.views.forEach((view) => view.draw(this.state, this.colours));
      this.tell();
    });
  }

  // Draws everything anew: colours or type have changed.
  repaint() {
    this.colours = palette();
    for (const view of this.views) view.surface.stale = true;
    this.redraw();
  }

  moveTo(time_s) {
    const { state, study } = this;
    state.cursor_s = Math.min(Math.max(time_s, study.start_s), study.end_s);
    // The window follows the cursor.
    const over_s = Math.max(state.cursor_s - state.to_s, 0) + Math.min(state.cursor_s - state.from_s, 0);
    if (over_s) this.show(state.from_s + over_s, state.to_s + over_s);
    this.redraw();
  }

  show(from_s, to_s) {
    const { state, study } = this;
    const length_s = Math.min(Math.max(to_s - from_s, this.narrowest_s), study.length_s);
    const middle_s = 0.5 * (from_s + to_s);
    state.from_s = Math.min(Math.max(middle_s - 0.5 * length_s, study.start_s), study.end_s - length_s);
    state.to_s = state.from_s + length_s;
    for (const view of this.views) if (view !== this.overview) view.surface.stale = true;
    this.redraw();
  }

  // Zooms so that a time stays where it is.
  zoom(factor, around_s = this.state.cursor_s) {
    const { from_s, to_s } = this.state;
    const length_s = Math.min(Math.max((to_s - from_s) * factor, this.narrowest_s), this.study.length_s);
    const share = Math.min(Math.max((around_s - from_s) / (to_s - from_s), 0), 1);
    this.show(around_s - share * length_s, around_s + (1 - share) * length_s);
  }

  // How far an arrow key goes: a round time, finer the closer one looks, and never finer than the page's data.
  step() {
    const rough_s = (this.state.to_s - this.state.from_s) / 300;
    return Math.max(roundStep(rough_s), this.study.signal.width_s);
  }

  // To the next or the last landmark or finding.
  moveToEvent(direction) {
    const { events } = this.study;
    const beyond = (event) => direction * (event.time_s - this.state.cursor_s) > 0.5;
    const event = direction > 0 ? events.find(beyond) : events.findLast(beyond);
    if (event) this.moveTo(event.time_s);
  }

  listen() {
    const { root, part } = this;
    root.addEventListener("keydown", (event) => this.key(event));
    for (const button of root.querySelectorAll("button[data-act]")) {
      button.addEventListener("click", () => this.act(button.dataset.act));
    }
    this.listenToTime(this.overview);
    this.listenToTime(this.strips);
    for (const view of this.planes) {
      view.surface.canvas.addEventListener("click", (event) => this.moveToPlace(view, event));
    }
    this.listenToTurning(part("solid"));
    for (const row of document.querySelectorAll("[data-time]")) this.makeJump(row);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.repaint());
  }

  // Click or drag moves the cursor; with Shift it chooses a window; Ctrl and wheel zoom, wheel sideways pans.
  listenToTime(view) {
    const { canvas } = view.surface;
    const time = (event) => view.axis(this.state).time(view.surface.place(event)[0]);
    const held = (time_s) => Math.min(Math.max(time_s, this.study.start_s), this.study.end_s);
    let from_s = null;
    canvas.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      canvas.setPointerCapture(event.pointerId);
      this.part("overview").focus({ preventScroll: true });
      event.preventDefault();
      from_s = held(time(event));
      if (event.shiftKey) this.state.chosen = [from_s, from_s];
      else this.moveTo(from_s);
    });
    canvas.addEventListener("pointermove", (event) => {
      if (from_s === null) return;
      if (this.state.chosen) this.state.chosen[1] = held(time(event));
      else this.moveTo(held(time(event)));
      this.redraw();
    });
    const release = () => {
      const chosen = this.state.chosen;
      from_s = null;
      this.state.chosen = null;
      if (!chosen) return;
      const [first, last] = chosen.sort((one, other) => one - other);
      if (last > first) this.show(first, last);
      this.moveTo(Math.min(Math.max(this.state.cursor_s, this.state.from_s), this.state.to_s));
    };
    canvas.addEventListener("pointerup", release);
    canvas.addEventListener("pointercancel", release);
    canvas.addEventListener("dblclick", (event) => this.zoom(0.25, held(time(event))));
    canvas.addEventListener("wheel", (event) => {
      if (event.ctrlKey) {
        event.preventDefault();
        this.zoom(event.deltaY > 0 ? 1.25 : 0.8, held(time(event)));
      } else if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
        event.preventDefault();
        const by_s = ((this.state.to_s - this.state.from_s) * event.deltaX) / 800;
        this.show(this.state.from_s + by_s, this.state.to_s + by_s);
      }
    }, { passive: false });
  }

  moveToPlace(view, event) {
    const time_s = view.nearestTime(this.state, view.surface.place(event));
    if (time_s !== null) this.moveTo(time_s);
  }

  listenToTurning(canvas) {
    let last = null;
    let moved_px = 0;
    canvas.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      canvas.setPointerCapture(event.pointerId);
      last = [event.clientX, event.clientY];
      moved_px = 0;
    });
    canvas.addEventListener("pointermove", (event) => {
      if (!last) return;
      const [dx, dy] = [event.clientX - last[0], event.clientY - last[1]];
      last = [event.clientX, event.clientY];
      moved_px += Math.abs(dx) + Math.abs(dy);
      this.turn(-0.5 * dx, 0.5 * dy);
    });
    const release = () => (last = null);
    canvas.addEventListener("pointerup", (event) => {
      // A press that did not turn it picks a place, as in the planes.
      if (last && moved_px < 4) this.moveToPlace(this.solid, event);
      release();
    });
    canvas.addEventListener("pointercancel", release);
  }

  turn(turn, tilt) {
    this.solid.rotate(turn, tilt);
    this.redraw();
  }

  // Turns to a named side: gradually, unless the reader's system asks for less motion.
  face(turn, tilt) {
    const { solid } = this;
    const from = [solid.turn, solid.tilt];
    // The shorter way round.
    const by = ((turn - from[0] + 540) % 360) - 180;
    const still = matchMedia("(prefers-reduced-motion: reduce)").matches;
    const began = performance.now();
    const frame = (now) => {
      const share = still ? 1 : Math.min(Math.max((now - began) / 250, 0), 1);
      if (share < 1) {
        solid.face(from[0] + share * by, from[1] + share * (tilt - from[1]));
        requestAnimationFrame(frame);
      } else solid.face(turn, tilt);
      this.redraw();
    };
    frame(began);
  }

  act(name) {
    const acts = {
      "zoom-in": () => this.zoom(0.5),
      "zoom-out": () => this.zoom(2),
      whole: () => this.show(this.study.start_s, this.study.end_s),
      next: () => this.moveToEvent(1),
      last: () => this.moveToEvent(-1),
      front: () => this.face(0, 0),
      left: () => this.face(90, 0),
      feet: () => this.face(0, -90),
      oblique: () => this.face(-35, 15),
    };
    acts[name]?.();
  }

  key(event) {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    const far = event.shiftKey ? 10 : 1;
    const { start_s, end_s } = this.study;
    const turns = event.target === this.part("solid")
      ? { ArrowLeft: [5, 0], ArrowRight: [-5, 0], ArrowUp: [0, 5], ArrowDown: [0, -5] }[event.key]
      : null;
    const keys = {
      ArrowLeft: () => this.moveTo(this.state.cursor_s - far * this.step()),
      ArrowRight: () => this.moveTo(this.state.cursor_s + far * this.step()),
      ArrowDown: () => this.moveTo(this.state.cursor_s - far * this.step()),
      ArrowUp: () => this.moveTo(this.state.cursor_s + far * this.step()),
      Home: () => this.moveTo(start_s),
      End: () => this.moveTo(end_s),
      PageDown: () => this.moveToEvent(1),
      PageUp: () => this.moveToEvent(-1),
      "+": () => this.act("zoom-in"),
      "=": () => this.act("zoom-in"),
      "-": () => this.act("zoom-out"),
      0: () => this.act("whole"),
    };
    const done = turns ? () => this.turn(far * 0.9 * turns[0], far * 0.9 * turns[1]) : keys[event.key];
    if (!done) return;
    event.preventDefault();
    done();
  }

  // A row of a table that has its moment becomes a way to it.
  makeJump(cell) {
    const time_s = Number(cell.dataset.time);
    if (time_s < this.study.start_s || time_s > this.study.end_s) return;
    const button = document.createElement("button");
    button.type = "button";
    button.className = "jump";
    button.append(...cell.childNodes);
    button.addEventListener("click", () => {
      this.moveTo(time_s);
      this.root.scrollIntoView({ block: "start" });
      this.part("overview").focus({ preventScroll: true });
    });
    cell.append(button);
  }

  // The cursor in words: in the readout, and for those who hear the page instead of seeing it.
  tell() {
    const { study, clock, part } = this;
    const { cursor_s, from_s, to_s } = this.state;
    const say = (name, text) => {
      if (part(name).textContent !== text) part(name).textContent = text;
    };
    const wall = clock.wall(cursor_s);
    const elapsed = clock.elapsed(cursor_s);
    const likely = study.partsAt(cursor_s).filter((stage) => stage.share >= 0.05).slice(0, 3);
    const parts = likely.map((stage) => `${stage.name} ${percent(stage.share)}`).join(", ") || "cannot be told";
    const k = study.index(study.track, cursor_s);
    const hearing = `${study.sitesHearing(cursor_s)} of ${study.sites.length}`;
    const place = this.placeInWords(k);
    const remarks = study.known(k) ? study.flagsAt(k).join("; ") : "";
    say("at-wall", wall ?? "not known");
    say("at-elapsed", elapsed);
    say("at-part", parts);
    say("at-place", place);
    say("at-hearing", hearing);
    say("at-remarks", remarks || "none");
    say("shown", `Shown: ${duration(to_s - from_s)}. An arrow key moves by ${duration(this.step())}.`);
    const slider = part("overview");
    slider.setAttribute("aria-valuemin", String(Math.round(study.start_s)));
    slider.setAttribute("aria-valuemax", String(Math.round(study.end_s)));
    slider.setAttribute("aria-valuenow", String(Math.round(cursor_s)));
    const when = wall ? `${wall}, ${elapsed} ${study.since}` : `${elapsed} ${study.since}`;
    slider.setAttribute("aria-valuetext", `${when}. Part: ${parts}. Place: ${place}. Sites hearing: ${hearing}.`);
    const { turn, tilt } = this.solid;
    part("solid").setAttribute("aria-label",
      `The path in the torso, turned by ${whole(turn)}° and tilted by ${whole(tilt)}°. Arrow keys turn it.`);
  }

  placeInWords(k) {
    const { study } = this;
    if (!study.known(k)) return "cannot be told";
    const [x, y, z] = study.placeAt(k);
    const [dx, dy, dz] = study.deviationAt(k).map((deviation_mm) => whole(HALF_90 * deviation_mm));
    const side = x < 0 ? "right" : "left";
    const height = z < 0 ? "below" : "above";
    return `${whole(Math.abs(x))} ± ${dx} ${side}, ${whole(y)} ± ${dy} deep, ${whole(Math.abs(z))} ± ${dz} ${height}`;
  }
}

// Light, dark, or as the reader's system has it.
function listenToTheme(explorer) {
  const choice = document.getElementById("theme");
  choice.hidden = false;
  for (const option of choice.querySelectorAll("input")) {
    option.addEventListener("change", () => {
      document.documentElement.dataset.theme = option.value;
      explorer.repaint();
    });
  }
}

const root = document.getElementById("explorer");
const explorer = new Explorer(new Study(document.getElementById("study-data").textContent), root);
root.hidden = false;
// From here on the still pictures are for paper only.
document.documentElement.classList.add("live");
listenToTheme(explorer);
explorer.start();
