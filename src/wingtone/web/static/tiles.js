// The spectrogram as tiles from the program: fetched when needed, coloured here for light and dusk, kept while
// there is room. A tile that is not there yet is stood in for by a coarser one.

const KEPT = 80; // tiles of 512 x 256 in colour: about 40 MB
const AT_ONCE = 4;
const TRIES = 4;

// 256 colours from the five --sound-* of the style sheet.
export function soundColours(element) {
  const probe = document.createElement("span");
  probe.hidden = true;
  element.append(probe);
  const stops = [0, 1, 2, 3, 4].map((i) => {
    probe.style.color = `var(--sound-${i})`;
    return getComputedStyle(probe)
      .color.match(/[\d.]+/g)
      .slice(0, 3)
      .map(Number);
  });
  probe.remove();
  const table = new Uint32Array(256);
  for (let level = 0; level < 256; level += 1) {
    const at = (level / 255) * 4;
    const i = Math.min(3, Math.floor(at));
    const [r, g, b] = stops[i].map((c, k) => Math.round(c + (stops[i + 1][k] - c) * (at - i)));
    table[level] = (255 << 24) | (b << 16) | (g << 8) | r; // little-endian RGBA, as every browser today is
  }
  return table;
}

async function greyOf(blob) {
  const picture = await createImageBitmap(blob, { colorSpaceConversion: "none" });
  const sheet = new OffscreenCanvas(picture.width, picture.height);
  const brush = sheet.getContext("2d", { willReadFrequently: true });
  brush.drawImage(picture, 0, 0);
  const { data } = brush.getImageData(0, 0, picture.width, picture.height);
  const grey = new Uint8Array(picture.width * picture.height);
  for (let i = 0; i < grey.length; i += 1) grey[i] = data[4 * i];
  const { width, height } = picture;
  picture.close();
  return { grey, width, height };
}

// `address(level, n)`; `ready()` is called when a wanted tile has come.
export function tileStore({ address, ready }) {
  const tiles = new Map(); // in order of use, oldest first
  let queue = [];
  let busy = 0;
  let colours = null;

  function paint(tile) {
    const picture = new ImageData(tile.width, tile.height);
    const pixels = new Uint32Array(picture.data.buffer);
    for (let i = 0; i < pixels.length; i += 1) pixels[i] = colours[tile.grey[i]];
    tile.sheet ??= new OffscreenCanvas(tile.width, tile.height);
    tile.sheet.getContext("2d").putImageData(picture, 0, 0);
    tile.painted = colours;
  }

  async function load(key, tile) {
    busy += 1;
    try {
      const response = await fetch(address(tile.level, tile.n));
      if (!response.ok) throw new Error(String(response.status));
      Object.assign(tile, await greyOf(await response.blob()), { state: "here" });
      for (const old of [...tiles.keys()].slice(0, Math.max(0, tiles.size - KEPT))) tiles.delete(old);
    } catch {
      tile.tries += 1;
      tile.state = tile.tries < TRIES ? "wanted" : "failed";
      if (tile.state === "wanted")
        setTimeout(ready, 500 * tile.tries); // a redraw asks again
      else tiles.delete(key);
    }
    busy -= 1;
    if (tile.state === "here") ready();
    next();
  }

  function next() {
    while (busy < AT_ONCE && queue.length) {
      const [key, tile] = queue.shift();
      if (tile.state !== "wanted") continue;
      tile.state = "loading";
      load(key, tile);
    }
  }

  return {
    colour(table) {
      colours = table;
    },
    // What is no longer seen need not be fetched any more.
    forgetQueue() {
      queue = [];
    },
    // The tile's coloured sheet, or null; `ask` to have it fetched.
    sheet(level, n, ask) {
      const key = `${level}/${n}`;
      let tile = tiles.get(key);
      if (tile) {
        tiles.delete(key);
        tiles.set(key, tile);
      } else if (ask) {
        tile = { level, n, state: "wanted", tries: 0 };
        tiles.set(key, tile);
      }
      if (tile?.state === "wanted" && ask) queue.push([key, tile]);
      if (tile?.state !== "here") return null;
      if (tile.painted !== colours) paint(tile);
      return tile.sheet;
    },
    fetchQueued: next,
    // Tiles that were made when part of their sound was still missing.
    drop(unfinished) {
      for (const [key, tile] of tiles) if (unfinished(tile)) tiles.delete(key);
    },
  };
}
