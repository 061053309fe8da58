// Where the names of trails stand: beside their line, clear of signs, of each other and of the map's edge.
import LineString from 'ol/geom/LineString.js';
import MultiLineString from 'ol/geom/MultiLineString.js';

/** @typedef {{ align: 'left' | 'right', offsetX: number, offsetY: number }} Side */
/** @typedef {[number, number, number, number]} Box left, top, right, bottom, in pixels */

/** Sides in the order in which they are tried. @type {Side[]} */
const SIDES = [
  { align: 'left', offsetX: 8, offsetY: -12 },
  { align: 'right', offsetX: -8, offsetY: -12 },
  { align: 'left', offsetX: 8, offsetY: 14 },
  { align: 'right', offsetX: -8, offsetY: 14 },
  { align: 'left', offsetX: 22, offsetY: 0 },
  { align: 'right', offsetX: -22, offsetY: 0 },
];
/** Half the height of a name, and half the width of a sign with its edge, pixels. */
const HALF_TEXT = 9;
const HALF_SIGN = 16;

/**
 * The line that a name belongs to.
 * @param {import('ol/Feature.js').FeatureLike} feature
 * @returns {LineString | undefined}
 */
export function longestLine(feature) {
  const geometry = feature.getGeometry();
  const lines =
    geometry instanceof MultiLineString ? geometry.getLineStrings() : geometry instanceof LineString ? [geometry] : [];
  return lines.sort((a, b) => b.getLength() - a.getLength())[0];
}

/** @param {string} text @param {string} font */
function widthOf(text, font) {
  const context = document.createElement('canvas').getContext('2d');
  if (!context) return text.length * 8;
  context.font = font;
  return context.measureText(text).width;
}

/** @param {Box} a @param {Box} b */
function overlap(a, b) {
  const wide = Math.min(a[2], b[2]) - Math.max(a[0], b[0]);
  const high = Math.min(a[3], b[3]) - Math.max(a[1], b[1]);
  return wide > 0 && high > 0 ? wide * high : 0;
}

/**
 * Gives every feature with a name its side (`name_side`); none of them is left out.
 *
 * @param {import('ol/Map.js').default} map
 * @param {import('ol/Feature.js').default[]} named
 * @param {import('ol/Feature.js').default[]} signs
 * @param {string} font
 */
export function placeNames(map, named, signs, font) {
  const [width, height] = map.getSize() ?? [0, 0];
  const pixelOf = (/** @type {number[]} */ at) => map.getPixelFromCoordinate(at);
  /** @type {Box[]} */
  const taken = [];
  for (const sign of signs) {
    const extent = sign.getGeometry()?.getExtent();
    const at = extent && pixelOf([extent[0], extent[1]]);
    if (at) taken.push([at[0] - HALF_SIGN, at[1] - HALF_SIGN, at[0] + HALF_SIGN, at[1] + HALF_SIGN]);
  }
  for (const feature of named) {
    const at = pixelOf(longestLine(feature)?.getCoordinateAt(0.5) ?? []);
    if (!at) continue;
    const long = widthOf(String(feature.get('label')), font);
    const tried = SIDES.map((side) => {
      const start = at[0] + side.offsetX - (side.align === 'right' ? long : 0);
      const middle = at[1] + side.offsetY;
      /** @type {Box} */
      const box = [start, middle - HALF_TEXT, start + long, middle + HALF_TEXT];
      const beyond = long * 2 * HALF_TEXT - overlap(box, [0, 0, width, height]);
      const cost = beyond + taken.reduce((sum, other) => sum + overlap(box, other), 0);
      return { side, box, cost };
    });
    const best = tried.reduce((a, b) => (b.cost < a.cost ? b : a));
    taken.push(best.box);
    feature.set('name_side', best.side, true);
  }
}
