// Tiles of a layer, fetched when they are looked at. While one is on its way a coarser one stands in.

import { getBytes } from "./net.js";

const SIDE = 256,
  MOST = 700;

export class Tiles {
  constructor(onArrival, onError) {
    this.kept = new Map();
    this.onArrival = onArrival;
    this.onError = onError;
  }

  // Return [bytes, shift]: the tile itself or one that is coarser by `shift` halvings; null while nothing is there.
  find(revision, level, key, zoom, tx, ty, most) {
    const first = this.#entry(revision, level, key, zoom, tx, ty);
    if (first.data) return [first.data, 0];
    for (let up = 1; zoom + up <= most; up++) {
      const known = this.kept.get(`${level}/${key}/${zoom + up}/${tx >> up}/${ty >> up}`);
      if (known && known.data) return [known.data, up];
    }
    return null;
  }

  #entry(revision, level, key, zoom, tx, ty) {
    const name = `${level}/${key}/${zoom}/${tx}/${ty}`;
    let entry = this.kept.get(name);
    if (!entry) {
      entry = { data: null, revision: null, asked: null };
      this.kept.set(name, entry);
      if (this.kept.size > MOST) this.kept.delete(this.kept.keys().next().value);
    }
    if (entry.revision !== revision && entry.asked !== revision) {
      entry.asked = revision;
      getBytes(`api/tile/${name}?r=${encodeURIComponent(revision)}`)
        .then((buffer) => {
          entry.data = new Uint8Array(buffer);
          entry.revision = revision;
          this.onArrival();
        })
        .catch((error) => {
          entry.asked = null;
          this.onError(error);
        });
    }
    return entry;
  }
}

export function zoomFor(pixelsPerCell, level) {
  const most = Math.max(0, Math.ceil(Math.log2(Math.max(...level.cells) / SIDE)));
  const wanted = pixelsPerCell >= 1 ? 0 : Math.ceil(Math.log2(1 / pixelsPerCell) - 0.25);
  return [Math.min(Math.max(wanted, 0), most), most];
}
