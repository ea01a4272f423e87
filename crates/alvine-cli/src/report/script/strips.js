// Everything that runs over time, on one axis: the parts' probabilities, how well the place is known, and each site's
// signal. Beside it the overview: the whole recording, with the window that the strips show.

const GUTTER_PX = 172;
const AXIS_PX = 26;
const PARTS_PX = 46;
const RADIUS_PX = 40;
const RIBBON_PX = 5;
const GAP_PX = 6;

// The time axis of a surface.
class Axis {
  constructor(window, left_px, right_px) {
    Object.assign(this, { window, left_px, right_px });
  }

  x(time_s) {
    const { from_s, to_s } = this.window;
    return this.left_px + ((time_s - from_s) / (to_s - from_s)) * (this.right_px - this.left_px);
  }

  time(x_px) {
    const { from_s, to_s } = this.window;
    return from_s + ((x_px - this.left_px) / (this.right_px - this.left_px)) * (to_s - from_s);
  }

  inside(time_s) {
    return time_s >= this.window.from_s && time_s <= this.window.to_s;
  }
}

class Strips {
  constructor(canvas, study, clock) {
    this.surface = new Surface(canvas);
    Object.assign(this, { study, clock });
  }

  // Fewer sites get higher strips.
  static height(study) {
    return 2 * AXIS_PX + PARTS_PX + RADIUS_PX + 2 * GAP_PX + study.sites.length * Strips.pitch(study);
  }

  static pitch(study) {
    return Math.min(Math.max(490 / study.sites.length, 22), 72);
  }

  axis(state) {
    return new Axis(state, GUTTER_PX, Math.max(this.surface.width - 14, GUTTER_PX + 10));
  }

  draw(state, colours) {
    this.surface.paint(
      (pen) => this.drawBase(pen, state, colours),
      (pen) => this.drawMarks(pen, state, colours),
    );
  }

  siteTop(site) {
    return AXIS_PX + PARTS_PX + RADIUS_PX + 2 * GAP_PX + site * Strips.pitch(this.study);
  }

  drawBase(pen, state, colours) {
    const axis = this.axis(state);
    const bottom_px = this.siteTop(this.study.sites.length);
    this.drawAxes(pen, axis, colours, bottom_px);
    pen.save();
    pen.beginPath();
    pen.rect(axis.left_px, 0, axis.right_px - axis.left_px, bottom_px);
    pen.clip();
    this.drawParts(pen, axis, colours);
    this.drawRadius(pen, axis, colours);
    this.study.sites.forEach((_, site) => this.drawSite(pen, axis, colours, site));
    for (const [from_s, to_s] of this.study.dropouts) {
      const top_px = this.siteTop(0);
      veil(pen, 0.3, () => {
        pen.fillStyle = colours.nothing;
        pen.fillRect(axis.x(from_s), top_px, Math.max(axis.x(to_s) - axis.x(from_s), 1), bottom_px - top_px);
      });
    }
    pen.restore();
    this.drawNames(pen, colours);
  }

  drawAxes(pen, axis, colours, bottom_px) {
    const { study, clock } = this;
    const most = (axis.right_px - axis.left_px) / 76;
    const rows = [
      [bottom_px + 14, study.origin_s, (time_s, seconds) => clock.elapsed(time_s, seconds)],
      [12, -(study.wall_s ?? 0), (time_s, seconds) => clock.wall(time_s, seconds)],
    ];
    for (const [y_px, origin_s, label] of rows) {
      const { ticks, step_s } = timeTicks(axis.window, origin_s, most);
      for (const time_s of ticks) {
        const text = label(time_s, step_s < 60);
        const x_px = axis.x(time_s);
        if (text) write(pen, text, Math.min(x_px, axis.right_px - 18), y_px, { colour: colours.soft, align: "center" });
        if (origin_s === study.origin_s) line(pen, [[x_px, AXIS_PX], [x_px, bottom_px]], colours.line);
      }
    }
    const name = { colour: colours.soft, align: "right" };
    if (study.wall_s !== null) write(pen, "Time of day", GUTTER_PX - 32, 12, name);
    write(pen, study.since.replace("recording", "rec."), GUTTER_PX - 32, bottom_px + 14, name);
  }

  // The probability of each part, stacked in the order of passage, in the colours of the phases.
  drawParts(pen, axis, colours) {
    const { parts } = this.study;
    if (!parts?.probability.length) return;
    const spans = parts.probability.length / parts.stages.length;
    const y = (share) => AXIS_PX + share * PARTS_PX;
    const [first, last] = [axis.window.from_s, axis.window.to_s].map((time_s) => this.study.partIndex(time_s));
    const indices = Array.from({ length: last - first + 1 }, (_, k) => first + k);
    const times = indices.map((k) => parts.start_s + (k + 0.5) * parts.width_s);
    // The first and last span reach to the window's edges.
    times[0] = Math.min(times[0], axis.window.from_s);
    times[times.length - 1] = Math.max(times.at(-1), axis.window.to_s);
    let floor = indices.map(() => 0);
    parts.stages.forEach((stage, s) => {
      const top = indices.map((k, i) => Math.min(floor[i] + parts.probability[s * spans + k] / 255, 1));
      if (top.every((share, i) => share === floor[i])) return;
      const upper = times.map((time_s, i) => [axis.x(time_s), y(floor[i])]);
      const lower = times.map((time_s, i) => [axis.x(time_s), y(top[i])]);
      polygon(pen, [...upper, ...lower.reverse()], colours[stage.phase]);
      line(pen, lower, colours.paper, 0.7);
      floor = top;
    });
    this.nameParts(pen, axis, colours, indices, times, spans);
  }

  // The likeliest part's name in each stretch that has room for it.
  nameParts(pen, axis, colours, indices, times, spans) {
    const { stages, probability } = this.study.parts;
    const likeliest = indices.map((k) => stages.reduce((best, _, s) =>
      probability[s * spans + k] > probability[best * spans + k] ? s : best, 0));
    for (let from = 0; from < likeliest.length;) {
      let to = from;
      while (to + 1 < likeliest.length && likeliest[to + 1] === likeliest[from]) to += 1;
      const stage = stages[likeliest[from]];
      const [left_px, right_px] = [axis.x(times[from]), axis.x(times[to])];
      pen.font = `bold 11px ${FACE}`;
      if (pen.measureText(stage.name).width + 8 < right_px - left_px) {
        const share = (s) => indices.slice(from, to + 1).reduce((sum, k) => sum + probability[s * spans + k], 0);
        const below = stages.slice(0, likeliest[from]).reduce((sum, _, s) => sum + share(s), 0);
        const middle = (below + 0.5 * share(likeliest[from])) / (255 * (to - from + 1));
        const colour = textOn(stage.phase, colours);
        write(pen, stage.name, 0.5 * (left_px + right_px), AXIS_PX + middle * PARTS_PX, { bold: true, colour, align: "center" });
      }
      from = to + 1;
    }
  }

  // The radius that holds the place with 90 %: in each column the least and the greatest of its spans.
  drawRadius(pen, axis, colours) {
    const { study } = this;
    const top_px = AXIS_PX + PARTS_PX + GAP_PX;
    const most_mm = this.mostRadius();
    const y = (radius_mm) => top_px + RADIUS_PX - Math.min(radius_mm / most_mm, 1) * (RADIUS_PX - 2);
    line(pen, [[axis.left_px, y(0)], [axis.right_px, y(0)]], colours.line);
    this.columns(axis, study.track, (x_px, width_px, first, last) => {
      let [least, greatest] = [Infinity, -Infinity];
      for (let k = first; k <= last; k += 1) {
        if (!study.known(k)) continue;
        const radius_mm = study.radiusAt(k);
        least = Math.min(least, radius_mm);
        greatest = Math.max(greatest, radius_mm);
      }
      if (greatest < 0) return;
      veil(pen, 0.25, () => {
        pen.fillStyle = colours.signal;
        pen.fillRect(x_px, y(greatest), width_px, y(0) - y(greatest));
      });
      pen.fillStyle = colours.signal;
      pen.fillRect(x_px, y(greatest), width_px, Math.max(y(least) - y(greatest), 1.5));
    });
  }

  mostRadius() {
    if (!this.most_mm) {
      const { track } = this.study;
      this.most_mm = 20;
      for (let k = 0; k < track.count; k += 1) if (this.study.known(k)) this.most_mm = Math.max(this.most_mm, this.study.radiusAt(k));
      this.most_mm = Math.min(this.most_mm, 400);
    }
    return this.most_mm;
  }

  // Calls `draw` for each column of pixels with the spans of a list that fall into it; where spans are wider than pixels,
  // once a span.
  columns(axis, list, draw) {
    const { study } = this;
    const first = study.index(list, axis.window.from_s);
    const last = study.index(list, axis.window.to_s);
    const edge = (k) => axis.x(study.timeOf(list, k) - 0.5 * list.width_s);
    const span_px = edge(first + 1) - edge(first);
    if (span_px >= 1) {
      for (let k = first; k <= last; k += 1) draw(edge(k), span_px + 0.3, k, k);
      return;
    }
    for (let k = first; k <= last;) {
      const column = Math.floor(edge(k));
      let end = k;
      while (end < last && Math.floor(edge(end + 1)) === column) end += 1;
      draw(column, 1, k, end);
      k = end + 1;
    }
  }

  levelY(site, level_dbm) {
    const { least_dbm, greatest_dbm } = this.study.signal;
    const height_px = Strips.pitch(this.study) - RIBBON_PX - GAP_PX;
    const share = (level_dbm - least_dbm) / Math.max(greatest_dbm + 2 - least_dbm, 10);
    return this.siteTop(site) + height_px * (1 - share);
  }

  // One site: the band from the weakest to the strongest level in each column, and a ribbon of what was not heard.
  drawSite(pen, axis, colours, site) {
    const { study } = this;
    const { count, least_dbm, step_db, weakest, strongest, silence } = study.signal;
    const offset = site * count;
    const top_px = this.siteTop(site);
    const base_px = top_px + Strips.pitch(study) - RIBBON_PX - GAP_PX;
    const y = (byte) => this.levelY(site, least_dbm + (byte - 1) * step_db);
    line(pen, [[axis.left_px, base_px], [axis.right_px, base_px]], colours.line);
    let before = null;
    this.columns(axis, study.signal, (x_px, width_px, first, last) => {
      let [low, high, below, missing, saturated] = [255, 0, 0, 0, 0];
      for (let k = offset + first; k <= offset + last; k += 1) {
        if (weakest[k]) {
          low = Math.min(low, weakest[k]);
          high = Math.max(high, strongest[k]);
        }
        below += silence[k] & 7;
        missing += (silence[k] >> 3) & 7;
        saturated |= silence[k] & 64;
      }
      if (high) {
        pen.fillStyle = colours.signal;
        const thin_px = Math.max(1.4 - (y(low) - y(high)), 0);
        pen.fillRect(x_px, y(high) - 0.5 * thin_px, width_px, y(low) - y(high) + thin_px);
        // A hairline joins neighbours whose levels do not meet.
        const [from, to] = before?.next === first ? [Math.min(high, before.high), Math.max(low, before.low)] : [0, 0];
        if (to > from) pen.fillRect(x_px - 0.5, y(to), 1, y(from) - y(to));
      }
      before = high ? { low, high, next: last + 1 } : null;
      if (saturated) {
        pen.fillStyle = colours.ink;
        pen.fillRect(x_px, top_px - 2, width_px, 3);
      }
      const share_px = RIBBON_PX / (7 * (last - first + 1));
      pen.fillStyle = colours["below-floor"];
      pen.fillRect(x_px, base_px + RIBBON_PX - share_px * (below + missing), width_px, share_px * (below + missing));
      pen.fillStyle = colours.nothing;
      pen.fillRect(x_px, base_px + RIBBON_PX - share_px * missing, width_px, share_px * missing);
    });
    let free_px = axis.left_px;
    for (const [from_s, to_s, loss_db] of study.sites[site].loose) {
      const left_px = Math.max(axis.x(from_s), axis.left_px + 1);
      pen.strokeStyle = colours.ink;
      pen.lineWidth = 1.5;
      pen.strokeRect(left_px, top_px, axis.x(to_s) - left_px, base_px - top_px);
      const text = `loose? ${whole(loss_db)} dB weaker`;
      // Where two names would overlap, the frames say it, and the table of loose sites.
      if (left_px < free_px) continue;
      free_px = left_px + 120;
      write(pen, text, left_px + 5, top_px + 8, { size: 10, bold: true, colour: colours.ink, halo: colours.paper });
    }
  }

  drawNames(pen, colours) {
    const room_px = GUTTER_PX - 32;
    const radius_px = AXIS_PX + PARTS_PX + GAP_PX;
    write(pen, "Part", 4, AXIS_PX + 10, { bold: true, colour: colours.ink });
    write(pen, "probability", 4, AXIS_PX + 26, { size: 10, colour: colours.soft });
    write(pen, "Radius", 4, radius_px + 10, { bold: true, colour: colours.ink });
    write(pen, "holds it with 90 %", 4, radius_px + 25, { size: 10, colour: colours.soft });
    const tick = { size: 10, colour: colours.soft, align: "right" };
    write(pen, `${whole(this.mostRadius())} mm`, GUTTER_PX - 6, radius_px + 6, tick);
    write(pen, "0", GUTTER_PX - 6, radius_px + RADIUS_PX - 3, tick);
    this.study.sites.forEach((site, k) => {
      const name = fitText(pen, `${k + 1} ${site.name}`, 11, true, room_px);
      write(pen, name, 4, this.siteTop(k) + 9, { bold: true, colour: colours.ink });
      const { least_dbm, greatest_dbm } = this.study.signal;
      const pitch_px = Strips.pitch(this.study);
      for (const level_dbm of valueTicks(least_dbm, greatest_dbm, pitch_px / 26)) {
        write(pen, whole(level_dbm), GUTTER_PX - 6, this.levelY(k, level_dbm), { ...tick, size: 9 });
      }
    });
  }

  // The cursor, and what each strip says there.
  drawMarks(pen, state, colours) {
    const axis = this.axis(state);
    const bottom_px = this.siteTop(this.study.sites.length);
    const k = this.study.index(this.study.signal, state.cursor_s);
    this.study.sites.forEach((_, site) => {
      const { weakest_dbm, strongest_dbm, belowFloor, missing, recorded } = this.study.heardAt(site, k);
      let text = recorded ? "" : "not recorded";
      if (weakest_dbm !== null) {
        const [low, high] = [whole(weakest_dbm), whole(strongest_dbm)];
        text = low === high ? `${low} dBm` : `${low} to ${high} dBm`;
      } else if (recorded) text = belowFloor >= missing ? "below the floor" : "no packet";
      const y_px = this.siteTop(site) + (Strips.pitch(this.study) > 32 ? 25 : 21);
      if (Strips.pitch(this.study) > 28) write(pen, text, 4, y_px, { size: 10, colour: colours.soft });
    });
    if (state.chosen) {
      const [left, right] = state.chosen.map((time_s) => axis.x(time_s)).sort((one, other) => one - other);
      veil(pen, 0.18, () => {
        pen.fillStyle = colours.ink;
        pen.fillRect(left, AXIS_PX, right - left, bottom_px - AXIS_PX);
      });
    }
    if (!axis.inside(state.cursor_s)) return;
    const x_px = axis.x(state.cursor_s);
    line(pen, [[x_px, AXIS_PX - 4], [x_px, bottom_px + 4]], colours.paper, 4);
    line(pen, [[x_px, AXIS_PX - 4], [x_px, bottom_px + 4]], colours.ink, 1.5);
    polygon(pen, [[x_px - 5, AXIS_PX - 8], [x_px + 5, AXIS_PX - 8], [x_px, AXIS_PX]], colours.ink);
  }
}

// The colour of text on a phase.
function textOn(phase, colours) {
  if (phase === "colon") return colours["ink-on-colon"];
  return phase === "outside" ? colours.ink : colours.paper;
}

class Overview {
  constructor(canvas, study, clock) {
    this.surface = new Surface(canvas);
    Object.assign(this, { study, clock });
  }

  axis() {
    const { start_s, end_s } = this.study;
    return new Axis({ from_s: start_s, to_s: end_s }, 10, this.surface.width - 10);
  }

  draw(state, colours) {
    this.surface.paint(
      (pen) => this.drawBase(pen, colours),
      (pen) => this.drawMarks(pen, state, colours),
    );
  }

  drawBase(pen, colours) {
    const axis = this.axis();
    for (const phase of this.study.phases) {
      const [left, right] = [axis.x(phase.start_s), axis.x(phase.end_s)];
      pen.fillStyle = colours[phase.phase];
      pen.fillRect(left, 22, Math.max(right - left, 1.5), 20);
      pen.font = `bold 11px ${FACE}`;
      if (pen.measureText(phase.name).width + 10 < right - left) {
        write(pen, phase.name, 0.5 * (left + right), 32, { bold: true, colour: textOn(phase.phase, colours), align: "center" });
      }
    }
    if (!this.study.phases.length) write(pen, "No phase could be told from this recording.", 14, 32, { colour: colours.soft });
    let free_px = 0;
    for (const { kind, name, time_s, interval90_s } of this.study.events) {
      const x_px = axis.x(time_s);
      if (interval90_s) {
        const [from_px, to_px] = interval90_s.map((end_s) => axis.x(Math.min(Math.max(end_s, this.study.start_s), this.study.end_s)));
        line(pen, [[from_px, 47], [to_px, 47]], colours.ink, 2);
      }
      const mark = kind === "finding"
        ? [[x_px, 42], [x_px + 5, 52], [x_px - 5, 52]]
        : [[x_px, 41], [x_px + 5, 47], [x_px, 53], [x_px - 5, 47]];
      polygon(pen, mark, colours.paper);
      polygon(pen, mark.map(([x, y]) => [x_px + 0.8 * (x - x_px), 47 + 0.8 * (y - 47)]), colours.ink);
      const text = fitText(pen, name, 10, false, 150);
      const width_px = pen.measureText(text).width;
      const left_px = Math.min(Math.max(x_px - 0.5 * width_px, 2), this.surface.width - width_px - 2);
      if (left_px > free_px) {
        write(pen, text, left_px, 62, { size: 10, colour: colours.soft });
        free_px = left_px + width_px + 8;
      }
    }
  }

  drawMarks(pen, state, colours) {
    const axis = this.axis();
    const [from_px, to_px] = [axis.x(state.from_s), axis.x(state.to_s)];
    veil(pen, 0.7, () => {
      pen.fillStyle = colours.paper;
      pen.fillRect(0, 16, from_px, 40);
      pen.fillRect(to_px, 16, this.surface.width - to_px, 40);
    });
    pen.strokeStyle = colours.soft;
    pen.lineWidth = 1.5;
    pen.strokeRect(from_px, 18, to_px - from_px, 28);
    const x_px = axis.x(state.cursor_s);
    line(pen, [[x_px, 15], [x_px, 54]], colours.paper, 5);
    line(pen, [[x_px, 15], [x_px, 54]], colours.ink, 2);
    const text = this.clock.wall(state.cursor_s) ?? this.clock.elapsed(state.cursor_s);
    pen.font = `bold 11px ${FACE}`;
    const half_px = 0.5 * pen.measureText(text).width + 4;
    const middle_px = Math.min(Math.max(x_px, half_px), this.surface.width - half_px);
    write(pen, text, middle_px, 8, { bold: true, colour: colours.ink, align: "center" });
  }
}
