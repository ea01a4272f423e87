// The study's numbers, read from the page, and what can be asked of them. Times are seconds since the recording began,
// places millimetres from the umbilicus (x to the patient's left, y deep, z up), levels dBm.

// Half width of a 90 % interval, and radii of regions of two and of three dimensions that hold 90 %, in standard deviations.
const HALF_90 = 1.645;
const ELLIPSE_90 = 2.146;
const BALL_90 = 2.5;

class Study {
  constructor(text) {
    const data = JSON.parse(text);
    Object.assign(this, data);
    const bytes = (packed) => {
      const letters = atob(packed);
      const list = new Uint8Array(letters.length);
      for (let k = 0; k < list.length; k += 1) list[k] = letters.charCodeAt(k);
      return list;
    };
    // All lists are little-endian; a typed array would take the order of the machine.
    const words = (packed, read) => {
      const view = new DataView(bytes(packed).buffer);
      return Array.from({ length: view.byteLength / 2 }, (_, k) => view[read](2 * k, true));
    };
    for (const list of ["weakest", "strongest", "silence"]) this.signal[list] = bytes(data.signal[list]);
    this.track.place = Int16Array.from(words(data.track.place, "getInt16"));
    this.track.deviation = Uint16Array.from(words(data.track.deviation, "getUint16"));
    this.track.flags = Uint16Array.from(words(data.track.flags, "getUint16"));
    this.track.correlation = new Int8Array(bytes(data.track.correlation).buffer);
    if (data.parts) this.parts.probability = bytes(data.parts.probability);
    this.places = Array.from({ length: this.track.count }, (_, k) => this.unpackedPlace(k));
    this.length_s = Math.max(this.end_s - this.start_s, 1);
    this.end_s = this.start_s + this.length_s;
  }

  // The index of the span of a list at a time.
  index(list, time_s) {
    const k = Math.floor((time_s - this.start_s) / list.width_s + 0.5);
    return Math.min(Math.max(k, 0), list.count - 1);
  }

  timeOf(list, k) {
    return this.start_s + k * list.width_s;
  }

  // Whether the track says anything at a place of its list.
  known(k) {
    return this.places[k] !== null;
  }

  placeAt(k) {
    return this.places[k];
  }

  unpackedPlace(k) {
    const { place, step_mm, nowhere } = this.track;
    if (place[3 * k] === nowhere) return null;
    return [place[3 * k] * step_mm, place[3 * k + 1] * step_mm, place[3 * k + 2] * step_mm];
  }

  deviationAt(k) {
    const { deviation, step_mm } = this.track;
    return [0, 1, 2].map((axis) => deviation[3 * k + axis] * step_mm);
  }

  // The covariance as a full matrix, mm².
  covarianceAt(k) {
    const [x, y, z] = this.deviationAt(k);
    const [xy, xz, yz] = [0, 1, 2].map((pair) => this.track.correlation[3 * k + pair] / 127);
    return [
      [x * x, xy * x * y, xz * x * z],
      [xy * x * y, y * y, yz * y * z],
      [xz * x * z, yz * y * z, z * z],
    ];
  }

  // Radius of the round region of the same total variance that holds the place with 90 %.
  radiusAt(k) {
    const [x, y, z] = this.deviationAt(k);
    return BALL_90 * Math.sqrt((x * x + y * y + z * z) / 3);
  }

  // What a site heard in a span: null levels where it heard nothing.
  heardAt(site, k) {
    const { weakest, strongest, silence, least_dbm, step_db, count } = this.signal;
    const at = site * count + k;
    const level = (byte) => (byte ? least_dbm + (byte - 1) * step_db : null);
    const bits = silence[at];
    return {
      weakest_dbm: level(weakest[at]),
      strongest_dbm: level(strongest[at]),
      belowFloor: (bits & 7) / 7,
      missing: ((bits >> 3) & 7) / 7,
      saturated: (bits & 64) !== 0,
      recorded: (bits & 128) !== 0,
    };
  }

  sitesHearing(time_s) {
    const k = this.index(this.signal, time_s);
    return this.sites.filter((_, site) => this.heardAt(site, k).weakest_dbm !== null).length;
  }

  partIndex(time_s) {
    const spans = this.parts.probability.length / this.parts.stages.length;
    const k = Math.floor((time_s - this.parts.start_s) / this.parts.width_s);
    return Math.min(Math.max(k, 0), spans - 1);
  }

  // Every stage with its probability at a time, likeliest first.
  partsAt(time_s) {
    if (!this.parts || !this.parts.probability.length) return [];
    const spans = this.parts.probability.length / this.parts.stages.length;
    const k = this.partIndex(time_s);
    const shares = this.parts.stages.map((stage, s) => ({
      ...stage,
      share: this.parts.probability[s * spans + k] / 255,
    }));
    return shares.sort((one, other) => other.share - one.share);
  }

  phaseAt(time_s) {
    const phase = this.phases.find((phase) => time_s >= phase.start_s && time_s < phase.end_s);
    return phase ?? this.phases.at(-1);
  }

  flagsAt(k) {
    return this.flags.filter((_, bit) => (this.track.flags[k] >> bit) & 1);
  }
}
