// Times and numbers as people read them.

class Clock {
  constructor(study) {
    this.study = study;
  }

  // Hours, minutes and, where asked, seconds since the swallow, or since the recording began.
  elapsed(time_s, withSeconds = true) {
    return face(time_s - this.study.origin_s, withSeconds);
  }

  // The time of day, with the days passed since the recording began; null where the study does not say.
  wall(time_s, withSeconds = true) {
    if (this.study.wall_s === null) return null;
    const seconds = Math.round(this.study.wall_s + time_s);
    const day = Math.floor(seconds / 86400);
    const text = face(seconds - 86400 * day, withSeconds).padStart(withSeconds ? 8 : 5, "0");
    return day === 0 ? text : `${text} ${day < 0 ? "−" : "+"}${Math.abs(day)} d`;
  }
}

function face(length_s, withSeconds) {
  const seconds = Math.round(Math.abs(length_s));
  const two = (number) => String(number).padStart(2, "0");
  const sign = length_s < 0 && seconds > 0 ? "−" : "";
  const hours = Math.floor(seconds / 3600);
  const minutes = two(Math.floor(seconds / 60) % 60);
  return `${sign}${hours}:${minutes}${withSeconds ? `:${two(seconds % 60)}` : ""}`;
}

function duration(length_s) {
  if (length_s < 60) return `${Number(length_s.toFixed(1))} s`;
  if (length_s < 3600) return `${Number((length_s / 60).toFixed(1))} min`;
  return `${Number((length_s / 3600).toFixed(1))} h`;
}

// A whole number with a true minus.
function whole(value) {
  const rounded = Math.round(value);
  return rounded < 0 ? `−${-rounded}` : `${Math.abs(rounded)}`;
}

// Certainty is not claimed by rounding.
function percent(share) {
  if (share > 0.995 && share < 1) return "over 99 %";
  if (share > 0 && share < 0.01) return "under 1 %";
  return `${Math.round(100 * share)} %`;
}

// Steps between ticks of time, s: each divides the hour or the day.
const TIME_STEPS_S = [
  1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800,
];

// The smallest round step that is no shorter than a length.
function roundStep(length_s) {
  return TIME_STEPS_S.find((step_s) => step_s >= length_s) ?? Math.ceil(length_s / 86400) * 86400;
}

// Times at round distances from an origin within a window, about so many.
function timeTicks(window, origin_s, most) {
  const step_s = roundStep((window.to_s - window.from_s) / Math.max(most, 1));
  const ticks = [];
  const first = Math.ceil((window.from_s - origin_s) / step_s);
  for (let k = 0; k < 200; k += 1) {
    const time_s = origin_s + (first + k) * step_s;
    if (time_s > window.to_s) break;
    ticks.push(time_s);
  }
  return { ticks, step_s };
}

// Round values between two, about so many.
function valueTicks(least, greatest, most) {
  const rough = (greatest - least) / Math.max(most, 1);
  const magnitude = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((factor) => factor * magnitude).find((step) => step >= rough * 0.999);
  const ticks = [];
  for (let value = Math.ceil(least / step) * step; value <= greatest; value += step) ticks.push(value);
  return ticks;
}
