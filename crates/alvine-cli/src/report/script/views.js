// Where the capsule was: three anatomical planes at one scale, and the path in the torso, to be turned.

// As radiologists hang them: coronal as when facing the patient, axial as seen from the feet.
const PLANES = {
  coronal: { across: 0, up: 2, downwards: false, letters: ["R", "L", "S", "I"] },
  sagittal: { across: 1, up: 2, downwards: false, letters: ["A", "P", "S", "I"] },
  axial: { across: 0, up: 1, downwards: true, letters: ["R", "L", "A", "P"] },
};

// The track is broken where it tells nothing for longer than this, s.
const BREAK_S = 30;
// Places of the path nearer to each other than this are drawn as one, px.
const FINEST_PX = 0.6;

// What all views must hold, mm.
function boundsOf(study) {
  const { breadth_mm, depth_mm, lowest_mm, highest_mm } = study.torso;
  const least = [-0.5 * breadth_mm, 0, lowest_mm];
  const greatest = [0.5 * breadth_mm, depth_mm, highest_mm];
  const widen = (place) => place.forEach((value, axis) => {
    // A site far from the body does not shrink the picture.
    if (Math.abs(value) > 500) return;
    least[axis] = Math.min(least[axis], value);
    greatest[axis] = Math.max(greatest[axis], value);
  });
  study.sites.forEach((site) => widen(site.position_mm));
  for (let k = 0; k < study.track.count; k += 1) if (study.known(k)) widen(study.placeAt(k));
  return { least: least.map((value) => value - 16), greatest: greatest.map((value) => value + 16) };
}

function box(left, top, width, height) {
  return { left, top, right: left + width, bottom: top + height };
}

function overlap(one, other) {
  return one.left < other.right && other.left < one.right && one.top < other.bottom && other.top < one.bottom;
}

// What planes and solid share: a projection of places, the path, its marks, and the cursor's region.
class View {
  constructor(canvas, study, bounds) {
    this.surface = new Surface(canvas);
    Object.assign(this, { study, bounds });
  }

  draw(state, colours) {
    if (!this.surface.fit()) return;
    this.prepare();
    this.surface.paint(
      (pen) => this.drawBase(pen, state, colours),
      (pen) => this.drawCursor(pen, state, colours),
    );
  }

  // What the bounds span along each axis, and their middle, mm.
  get span() {
    return this.bounds.greatest.map((value, axis) => value - this.bounds.least[axis]);
  }

  get middle() {
    return this.bounds.least.map((value, axis) => 0.5 * (value + this.bounds.greatest[axis]));
  }

  // The path in stretches of one phase; `inside` says whether it lies in the window.
  eachStretch(state, visit) {
    const { study } = this;
    const most = Math.ceil(BREAK_S / study.track.width_s);
    let stretch = null;
    let last = -Infinity;
    const end = () => {
      if (stretch && stretch.points.at(-1) !== stretch.end) stretch.points.push(stretch.end);
      if (stretch && stretch.points.length > 1) visit(stretch);
      stretch = null;
    };
    for (let k = 0; k < study.track.count; k += 1) {
      if (!study.known(k)) continue;
      const time_s = study.timeOf(study.track, k);
      const phase = study.phaseAt(time_s)?.phase ?? "nothing";
      const inside = time_s >= state.from_s && time_s <= state.to_s;
      const point = this.project(study.placeAt(k));
      const joined = k - last <= Math.max(most, 1);
      if (!stretch || !joined || stretch.phase !== phase || stretch.inside !== inside) {
        const before = joined && stretch ? [stretch.end] : [];
        end();
        stretch = { phase, inside, points: before };
      }
      // Places that no eye tells apart are not drawn twice; an end always is.
      const [x, y] = stretch.points.at(-1) ?? [Infinity, Infinity];
      if (Math.abs(point[0] - x) + Math.abs(point[1] - y) >= FINEST_PX) stretch.points.push(point);
      stretch.end = point;
      last = k;
    }
    end();
  }

  drawPath(pen, state, colours) {
    const stretches = [];
    this.eachStretch(state, (stretch) => stretches.push(stretch));
    pen.lineJoin = "round";
    veil(pen, 0.3, () => {
      for (const { inside, phase, points } of stretches) if (!inside) line(pen, points, colours[phase], 0.8);
    });
    for (const { inside, phase, points } of stretches) {
      if (!inside) continue;
      veil(pen, 0.6, () => line(pen, points, colours.paper, 3.4));
      line(pen, points, colours[phase], 1.6);
    }
  }

  // Sites by number, landmarks as lozenges, findings as triangles.
  drawPlaces(pen, state, colours) {
    const { study } = this;
    const sites = [];
    const marks = [];
    study.sites.forEach((site, k) => {
      const [x, y] = this.project(site.position_mm);
      sites.push(box(x - 8, y - 7, 16, 14));
      pen.fillStyle = colours.paper;
      pen.strokeStyle = colours.soft;
      pen.lineWidth = 1;
      pen.fillRect(x - 8, y - 7, 16, 14);
      pen.strokeRect(x - 8, y - 7, 16, 14);
      write(pen, String(k + 1), x, y + 0.5, { size: 10, colour: colours.ink, align: "center" });
    });
    for (const { kind, name, time_s } of study.events) {
      const k = study.index(study.track, time_s);
      if (!study.known(k) || name === "Swallow" || name === "Expulsion") continue;
      const [x, y] = this.project(study.placeAt(k));
      const shape = (r) => (kind === "finding"
        ? [[x, y - r], [x + r, y + 0.9 * r], [x - r, y + 0.9 * r]]
        : [[x, y - r], [x + r, y], [x, y + r], [x - r, y]]);
      polygon(pen, shape(7.5), colours.paper);
      polygon(pen, shape(5.5), colours.ink);
      marks.push([name, x, y]);
    }
    // All marks are drawn before any name, so that names can keep clear of them.
    const taken = [...(this.letterBoxes ?? []), ...sites, ...marks.map(([, x, y]) => box(x - 6, y - 6, 12, 12))];
    for (const [name, x, y] of marks) this.label(pen, fitText(pen, name, 10, false, 130), x, y, taken, colours);
  }

  // A name beside its mark where there is room; none where there is not, as the overview and the tables have it too.
  label(pen, text, x, y, taken, colours) {
    pen.font = `10px ${FACE}`;
    const width = pen.measureText(text).width;
    const places = [[9, -6], [-9 - width, -6], [-0.5 * width, -20], [-0.5 * width, 8], [9, -18], [9, 6], [-9 - width, -18], [-9 - width, 6]];
    for (const [dx, dy] of places) {
      const room = box(x + dx, y + dy, width, 12);
      const outside = room.left < 2 || room.right > this.surface.width - 2 || room.top < 2 || room.bottom > this.surface.height - 2;
      if (outside || taken.some((other) => overlap(room, other))) continue;
      taken.push(room);
      write(pen, text, room.left, room.top + 6, { size: 10, colour: colours.ink, halo: colours.paper });
      return;
    }
  }

  // The region that holds the capsule with 90 %, and its middle.
  drawCursor(pen, state, colours) {
    const { study } = this;
    const k = study.index(study.track, state.cursor_s);
    if (!study.known(k)) {
      write(pen, "no place at this time", 0.5 * this.surface.width, 0.5 * this.surface.height,
        { bold: true, colour: colours.ink, align: "center", halo: colours.paper });
      return;
    }
    const middle = study.placeAt(k);
    const outline = this.region(middle, study.covarianceAt(k));
    const colour = colours[study.phaseAt(state.cursor_s)?.phase ?? "nothing"];
    veil(pen, 0.22, () => polygon(pen, outline, colour));
    line(pen, [...outline, outline[0]], colours.ink, 1.4);
    const [x, y] = this.project(middle);
    for (const [radius_px, fill] of [[6.5, colours.paper], [5, colours.ink], [2.5, colour]]) {
      pen.beginPath();
      pen.arc(x, y, radius_px, 0, 2 * Math.PI);
      pen.fillStyle = fill;
      pen.fill();
    }
  }

  // The outline of c + r L (cos θ, sin θ), with L Lᵀ the covariance in the plane of the picture.
  outlineOf([across, up], [aa, au, uu], radius) {
    const l11 = Math.sqrt(Math.max(aa, 0));
    const l21 = l11 > 0 ? au / l11 : 0;
    const l22 = Math.sqrt(Math.max(uu - l21 * l21, 0));
    return Array.from({ length: 60 }, (_, k) => {
      const [cos, sin] = [Math.cos((Math.PI * k) / 30), Math.sin((Math.PI * k) / 30)];
      return [across + radius * l11 * cos, up + radius * (l21 * cos + l22 * sin)];
    });
  }

  // The time of the place on the shown path that is nearest to a pixel.
  nearestTime(state, [x_px, y_px]) {
    const { study } = this;
    let [best, nearest] = [null, Infinity];
    for (let k = 0; k < study.track.count; k += 1) {
      const time_s = study.timeOf(study.track, k);
      if (time_s < state.from_s || time_s > state.to_s || !study.known(k)) continue;
      const [x, y] = this.project(study.placeAt(k));
      const apart = (x - x_px) ** 2 + (y - y_px) ** 2;
      if (apart < nearest) [best, nearest] = [time_s, apart];
    }
    return best;
  }
}

class Plane extends View {
  constructor(canvas, study, bounds, plane) {
    super(canvas, study, bounds);
    Object.assign(this, plane);
  }

  // One scale for the three planes, so that a length is as long in each.
  prepare() {
    const [x, y, z] = this.span;
    const { width, height } = this.surface;
    const scale = Math.min((width - 12) / Math.max(x, y), (height - 8) / Math.max(z, y));
    this.frame = { scale, middle: this.middle, centre: [0.5 * width, 0.5 * height] };
  }

  project(place) {
    const { scale, middle, centre } = this.frame;
    const up = (place[this.up] - middle[this.up]) * scale;
    return [centre[0] + (place[this.across] - middle[this.across]) * scale, centre[1] + (this.downwards ? up : -up)];
  }

  region(middle, covariance) {
    const [a, u] = [this.across, this.up];
    const outline = this.outlineOf([middle[a], middle[u]], [covariance[a][a], covariance[a][u], covariance[u][u]], ELLIPSE_90);
    return outline.map(([across, up]) => {
      const place = [0, 0, 0];
      place[a] = across;
      place[u] = up;
      return this.project(place);
    });
  }

  drawBase(pen, state, colours) {
    this.drawBody(pen, colours);
    this.drawPath(pen, state, colours);
    this.drawPlaces(pen, state, colours);
  }

  drawBody(pen, colours) {
    const { breadth_mm, depth_mm, lowest_mm, highest_mm } = this.study.torso;
    const [a, b] = [0.5 * breadth_mm, 0.5 * depth_mm];
    const corner = (side, z) => this.project([side * a, b + side * b, z]);
    const outline = this.downwards
      ? Array.from({ length: 90 }, (_, k) => this.project([a * Math.cos((Math.PI * k) / 45), b + b * Math.sin((Math.PI * k) / 45), 0]))
      : [corner(-1, lowest_mm), corner(-1, highest_mm), corner(1, highest_mm), corner(1, lowest_mm)];
    polygon(pen, outline, colours.body);
    const { least, greatest } = this.bounds;
    for (const axis of [this.across, this.up]) {
      for (let value = Math.ceil(least[axis] / 100) * 100; value <= greatest[axis]; value += 100) {
        const ends = [least, greatest].map((bound) => {
          const place = [...bound];
          place[axis] = value;
          return this.project(place);
        });
        line(pen, ends, colours.line, value === 0 ? 1.6 : 0.8);
        const label = { size: 9, colour: colours.soft, halo: colours.paper };
        if (axis === this.across) write(pen, whole(value), ends[0][0], Math.max(ends[0][1], ends[1][1]) - 5, { ...label, align: "center" });
        else write(pen, whole(value), Math.min(ends[0][0], ends[1][0]) + 1, ends[0][1] - 6, label);
      }
    }
    // Open at top and bottom, where the body goes on.
    if (this.downwards) line(pen, [...outline, outline[0]], colours.soft, 1.4);
    else for (const side of [outline.slice(0, 2), outline.slice(2)]) line(pen, side, colours.soft, 1.4);
    this.drawLetters(pen, colours);
  }

  // At the edges of what the picture holds.
  drawLetters(pen, colours) {
    const { least, greatest } = this.bounds;
    const [one, other] = [this.project(least), this.project(greatest)];
    const [top, bottom] = [Math.min(one[1], other[1]), Math.max(one[1], other[1])];
    const [x, y] = [0.5 * (one[0] + other[0]), 0.5 * (one[1] + other[1])];
    const at = [[one[0] + 5, y - 14], [other[0] - 5, y - 14], [x + 12, top + 8], [x + 12, bottom - 16]];
    this.letterBoxes = at.map(([across, down]) => box(across - 7, down - 8, 14, 16));
    this.letters.forEach((letter, k) => write(pen, letter, ...at[k], { size: 13, bold: true, colour: colours.ink, align: "center", halo: colours.paper }));
  }
}

class Solid extends View {
  constructor(canvas, study, bounds) {
    super(canvas, study, bounds);
    this.turn = -35;
    this.tilt = 15;
  }

  // Degrees; the tilt ends at the poles.
  rotate(turn, tilt) {
    this.turn = ((this.turn + turn + 540) % 360) - 180;
    this.tilt = Math.min(Math.max(this.tilt + tilt, -90), 90);
    this.surface.stale = true;
  }

  face(turn, tilt) {
    Object.assign(this, { turn, tilt });
    this.surface.stale = true;
  }

  // From the front at no turn and no tilt. The rows are across and up on the page, and towards the viewer.
  axes() {
    const [turn, tilt] = [this.turn, this.tilt].map((degrees) => (degrees * Math.PI) / 180);
    const [ct, st, cu, su] = [Math.cos(turn), Math.sin(turn), Math.cos(tilt), Math.sin(tilt)];
    return [
      [ct, st, 0],
      [st * -su, ct * su, cu],
      [st * cu, -ct * cu, su],
    ];
  }

  prepare() {
    const [x, y, z] = this.span;
    const { width, height } = this.surface;
    const scale = Math.min((width - 20) / Math.hypot(x, y), (height - 12) / Math.hypot(z, 0.45 * y));
    this.frame = { scale, middle: this.middle, centre: [0.5 * width, 0.5 * height], axes: this.axes() };
  }

  // How far a place lies from the middle along a direction, mm.
  along(direction, place) {
    const { middle } = this.frame;
    const [x, y, z] = direction;
    return x * (place[0] - middle[0]) + y * (place[1] - middle[1]) + z * (place[2] - middle[2]);
  }

  project(place) {
    const { scale, centre, axes: [across, up] } = this.frame;
    return [centre[0] + scale * this.along(across, place), centre[1] - scale * this.along(up, place)];
  }

  // The ellipsoid's outline: its covariance seen from the front is R Σ Rᵀ.
  region(middle, covariance) {
    const { scale, axes: [across, up] } = this.frame;
    const seen = (one, other) => one.reduce((sum, share, i) =>
      sum + share * other.reduce((inner, factor, j) => inner + covariance[i][j] * factor, 0), 0);
    const [x, y] = this.project(middle);
    const parts = [seen(across, across), -seen(across, up), seen(up, up)].map((value) => value * scale ** 2);
    return this.outlineOf([x, y], parts, BALL_90);
  }

  drawBase(pen, state, colours) {
    this.drawTorso(pen, colours, false);
    this.drawPath(pen, state, colours);
    this.drawTorso(pen, colours, true);
    this.drawPlaces(pen, state, colours);
    this.drawLetters(pen, colours);
  }

  // The skin as hoops and staves: the far half before the path, the near half after it.
  drawTorso(pen, colours, near) {
    const { breadth_mm, depth_mm, lowest_mm, highest_mm } = this.study.torso;
    const [a, b] = [0.5 * breadth_mm, 0.5 * depth_mm];
    const towards = this.frame.axes[2];
    const skin = (degrees, z) => [a * Math.cos((degrees * Math.PI) / 180), b + b * Math.sin((degrees * Math.PI) / 180), z];
    const isNear = (degrees) => this.along(towards, skin(degrees, 0)) > this.along(towards, [0, b, 0]);
    veil(pen, near ? 0.55 : 0.9, () => {
      for (let z = Math.ceil(lowest_mm / 80) * 80; z <= highest_mm; z += 80) {
        for (let degrees = 0; degrees < 360; degrees += 6) {
          if (isNear(degrees + 3) === near) line(pen, [skin(degrees, z), skin(degrees + 6, z)].map((place) => this.project(place)), near ? colours.soft : colours.line, near ? 0.6 : 1);
        }
      }
      for (let degrees = 0; degrees < 360; degrees += 30) {
        if (isNear(degrees) === near) line(pen, [skin(degrees, lowest_mm), skin(degrees, highest_mm)].map((place) => this.project(place)), near ? colours.soft : colours.line, near ? 0.6 : 1);
      }
    });
  }

  drawLetters(pen, colours) {
    const { breadth_mm, depth_mm, lowest_mm, highest_mm } = this.study.torso;
    const [a, b] = [0.5 * breadth_mm + 14, 0.5 * depth_mm];
    const ends = { R: [-a, b, lowest_mm], L: [a, b, lowest_mm], A: [0, -14, lowest_mm], P: [0, 2 * b + 14, lowest_mm], S: [0, b, highest_mm], I: [0, b, lowest_mm - 12] };
    for (const [letter, place] of Object.entries(ends)) {
      const [x, y] = this.project(place);
      write(pen, letter, x, y, { size: 12, bold: true, colour: colours.ink, align: "center", halo: colours.paper });
    }
  }
}
