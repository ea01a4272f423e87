// A canvas in two layers: a base that changes with window, size and colours, and marks of the cursor on top of it.

class Surface {
  constructor(canvas) {
    this.canvas = canvas;
    this.pen = canvas.getContext("2d");
    this.base = document.createElement("canvas");
    this.stale = true;
  }

  // Takes over the size that the page gives the canvas; says whether there is anything to draw on.
  fit() {
    const density = window.devicePixelRatio || 1;
    const { clientWidth: width, clientHeight: height } = this.canvas;
    if (width !== this.width || height !== this.height || density !== this.density) {
      Object.assign(this, { width, height, density, stale: true });
      for (const layer of [this.canvas, this.base]) {
        layer.width = Math.round(width * density);
        layer.height = Math.round(height * density);
      }
    }
    return width > 0 && height > 0;
  }

  // Draws the base if it is stale, and the cursor's marks always.
  paint(drawBase, drawMarks) {
    if (!this.fit()) return;
    if (this.stale) {
      const pen = this.base.getContext("2d");
      this.clear(pen);
      drawBase(pen);
      this.stale = false;
    }
    this.pen.setTransform(1, 0, 0, 1, 0, 0);
    this.pen.clearRect(0, 0, this.canvas.width, this.canvas.height);
    this.pen.drawImage(this.base, 0, 0);
    this.pen.setTransform(this.density, 0, 0, this.density, 0, 0);
    drawMarks(this.pen);
  }

  clear(pen) {
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.clearRect(0, 0, this.base.width, this.base.height);
    pen.setTransform(this.density, 0, 0, this.density, 0, 0);
  }

  // Where a pointer is, px from the upper left.
  place(event) {
    const box = this.canvas.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }
}

const FACE = '"DejaVu Sans", Verdana, sans-serif';

function write(pen, text, x, y, { size = 11, bold = false, colour, align = "left", halo = null }) {
  pen.font = `${bold ? "bold " : ""}${size}px ${FACE}`;
  pen.textAlign = align;
  pen.textBaseline = "middle";
  if (halo) {
    pen.strokeStyle = halo;
    pen.lineWidth = 3;
    pen.lineJoin = "round";
    pen.strokeText(text, x, y);
  }
  pen.fillStyle = colour;
  pen.fillText(text, x, y);
}

// A text cut to a width, with an ellipsis where something was cut.
function fitText(pen, text, size, bold, most_px) {
  pen.font = `${bold ? "bold " : ""}${size}px ${FACE}`;
  if (pen.measureText(text).width <= most_px) return text;
  let kept = text.slice(0, 200);
  while (kept && pen.measureText(`${kept}…`).width > most_px) kept = kept.slice(0, -1);
  return `${kept.trimEnd()}…`;
}

function line(pen, points, colour, width = 1) {
  pen.beginPath();
  points.forEach(([x, y], k) => (k ? pen.lineTo(x, y) : pen.moveTo(x, y)));
  pen.strokeStyle = colour;
  pen.lineWidth = width;
  pen.stroke();
}

function polygon(pen, points, fill) {
  pen.beginPath();
  points.forEach(([x, y], k) => (k ? pen.lineTo(x, y) : pen.moveTo(x, y)));
  pen.closePath();
  pen.fillStyle = fill;
  pen.fill();
}

// The colours of the page as they are now, light or dark.
function palette() {
  const style = getComputedStyle(document.documentElement);
  const names = ["paper", "ink", "soft", "line", "body", "nothing", "below-floor", "signal", "ink-on-colon"];
  const phases = ["outside", "oesophagus", "stomach", "small-bowel", "colon"];
  return Object.fromEntries([...names, ...phases].map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
}

function veil(pen, opacity, draw) {
  pen.save();
  pen.globalAlpha = opacity;
  draw();
  pen.restore();
}
