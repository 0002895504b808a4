// What the strip's canvas shows: tiles of the spectrogram, bounds of the bouts, the tone line with its multiples,
// and the scales. Only drawing: what is shown and when is strip.js.

import { clock } from "./dom.js";

const TILE_PX_WANTED = 512;
const COARSE_S_PER_PX = 0.2; // coarser, and the multiples would only hide what is under them

// The level whose tiles come out at about their own size on the screen.
export function levelFor(geometry, span_s, width_px) {
  const wanted = (TILE_PX_WANTED * span_s) / width_px;
  const off = ({ seconds_per_tile }) => Math.abs(Math.log2(seconds_per_tile / wanted));
  return geometry.levels.reduce((best, level) => (off(level) < off(best) ? level : best));
}

// Steps that people count in, none closer than `least` of the scale.
export function ticks(from, to, least) {
  const steps = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600];
  const step = steps.find((s) => s >= least) ?? 3600;
  const list = [];
  for (let i = Math.ceil(from / step); i * step <= to; i += 1) list.push(i * step);
  return { step, list };
}

// Gives how many of the tiles are not there yet.
export function drawTiles(brush, tiles, geometry, { from_s, to_s, width, height, top_hz, level, ask }) {
  const { tile_px, low_hz, high_hz, levels } = geometry;
  const per_s = width / (to_s - from_s);
  const spt = level.seconds_per_tile;
  const last = Math.ceil(geometry.duration_s / spt) - 1;
  tiles.forgetQueue();
  let missing = 0;
  for (let n = Math.max(0, Math.floor(from_s / spt)); n <= Math.min(last, Math.floor(to_s / spt)); n += 1) {
    let sheet = tiles.sheet(level.level, n, ask);
    if (!sheet) missing += 1;
    let part = { x: 0, width: tile_px };
    for (let up = level.level + 1; !sheet && up < levels.length; up += 1) {
      const halvings = up - level.level;
      sheet = tiles.sheet(up, n >> halvings, false);
      part = {
        x: ((n - ((n >> halvings) << halvings)) * tile_px) / 2 ** halvings,
        width: tile_px / 2 ** halvings,
      };
    }
    if (!sheet) continue;
    const taken = Math.min(part.width, sheet.width - part.x); // the last tile may be shorter
    if (taken <= 0) continue;
    const x = Math.round((n * spt - from_s) * per_s);
    const end = Math.round((n * spt + (spt * taken) / part.width - from_s) * per_s);
    const skipped = (sheet.height * (high_hz - top_hz)) / (high_hz - low_hz);
    brush.drawImage(sheet, part.x, skipped, taken, sheet.height - skipped, x, 0, end - x, height);
  }
  tiles.fetchQueued();
  return missing;
}

// Points of the line further apart than this are not one line: a pause within a bout.
export function gapOf({ time_s }) {
  const steps = time_s
    .slice(1)
    .map((t, i) => t - time_s[i])
    .sort((a, b) => a - b);
  return Math.max(0.05, 3 * (steps[steps.length >> 1] ?? 0));
}

export function drawLine(brush, line, { from_s, to_s, width, height, top_hz, low_hz }, ink) {
  const { time_s, f0_hz, gap_s } = line;
  const x = (t) => ((t - from_s) / (to_s - from_s)) * width;
  const y = (f) => height * (1 - (f - low_hz) / (top_hz - low_hz));

  function path(multiple) {
    brush.beginPath();
    let before = -Infinity;
    for (let i = 0; i < time_s.length; i += 1) {
      const f = f0_hz[i];
      if (f === null) before = -Infinity; // between two bouts
      if (f === null || time_s[i] < from_s - gap_s || time_s[i] > to_s + gap_s) continue;
      const px = x(time_s[i]);
      const py = y(multiple * f);
      if (time_s[i] - before > gap_s) (brush.moveTo(px - 0.5, py), brush.lineTo(px + 0.5, py));
      else brush.lineTo(px, py);
      before = time_s[i];
    }
  }

  brush.lineJoin = "round";
  const lowest = Math.min(...f0_hz.filter((f) => f !== null));
  const fine = (to_s - from_s) / width < COARSE_S_PER_PX;
  for (let multiple = 2; fine && multiple * lowest < top_hz && multiple <= 12; multiple += 1) {
    path(multiple);
    brush.setLineDash([5, 5]);
    brush.globalAlpha = 0.9;
    brush.lineWidth = 1.2;
    brush.strokeStyle = ink.tone;
    brush.stroke();
  }
  brush.globalAlpha = 1;
  brush.setLineDash([]);
  path(1);
  brush.lineWidth = 4.5;
  brush.strokeStyle = ink.halo;
  brush.stroke();
  brush.lineWidth = 2.4;
  brush.strokeStyle = ink.tone;
  brush.stroke();
}

const DASHES = { flight: [], sonication: [2, 4], uncertain: [7, 5] };

export function drawBounds(brush, bouts, chosen, { from_s, to_s, width, height, slim_s }, ink) {
  const x = (t) => ((t - from_s) / (to_s - from_s)) * width;
  for (const bout of bouts) {
    if (bout.end_s < from_s || bout.start_s > to_s) continue;
    if (bout.end_s - bout.start_s < slim_s && bout.key !== chosen) continue; // of many, only lines would be left to see
    brush.setLineDash(DASHES[bout.kind]);
    brush.strokeStyle = ink[bout.kind];
    brush.lineWidth = bout.key === chosen ? 2.5 : 1.2;
    for (const t of [bout.start_s, bout.end_s]) {
      brush.beginPath();
      brush.moveTo(x(t), 0);
      brush.lineTo(x(t), height);
      brush.stroke();
    }
    if (bout.key === chosen) {
      brush.globalAlpha = 0.1;
      brush.fillStyle = ink[bout.kind];
      brush.fillRect(x(bout.start_s), 0, x(bout.end_s) - x(bout.start_s), height);
      brush.globalAlpha = 1;
    }
  }
  brush.setLineDash([]);
}

function label(brush, text, x, y, ink) {
  brush.lineWidth = 3.5;
  brush.lineJoin = "round";
  brush.strokeStyle = ink.halo;
  brush.strokeText(text, x, y);
  brush.fillStyle = ink.ink;
  brush.fillText(text, x, y);
}

export function drawScales(brush, { from_s, to_s, width, height, top_hz, low_hz }, ink) {
  brush.font = ink.font;
  const step_hz = top_hz <= 500 ? 100 : top_hz <= 1000 ? 200 : 500;
  brush.textBaseline = "middle";
  brush.textAlign = "left";
  for (let f = step_hz; f < top_hz; f += step_hz) {
    const y = height * (1 - (f - low_hz) / (top_hz - low_hz));
    brush.fillStyle = ink.ink;
    brush.fillRect(0, Math.round(y), 5, 1);
    if (y > 9) label(brush, f === step_hz ? `${f} Hz` : `${f}`, 8, y, ink);
  }
  const apart = (px) => ticks(from_s, to_s, ((to_s - from_s) * px) / width);
  let { step, list } = apart(60);
  if (step < 1) ({ step, list } = apart(90)); // their labels are longer
  const decimals = step >= 1 ? 0 : step >= 0.1 ? 1 : 2;
  brush.textBaseline = "top";
  brush.textAlign = "center";
  brush.fillStyle = ink.ink;
  let free = 0; // right end of the last label
  for (const t of list) {
    const x = ((t - from_s) / (to_s - from_s)) * width;
    brush.fillRect(Math.round(x), height, 1, 5);
    const text = clock(t, decimals);
    const half = brush.measureText(text).width / 2;
    const middle = Math.min(width - half - 1, Math.max(half + 1, x));
    if (middle - half < free) continue;
    brush.fillText(text, middle, height + 7);
    free = middle + half + 4;
  }
}
