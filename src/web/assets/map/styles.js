// Lines as on the server-drawn map: colour says the class, make-up says the uncertainty.
import Style from 'ol/style/Style.js';
import Stroke from 'ol/style/Stroke.js';
import Fill from 'ol/style/Fill.js';
import Text from 'ol/style/Text.js';
import RegularShape from 'ol/style/RegularShape.js';
import Point from 'ol/geom/Point.js';
import { longestLine } from './labels.js';

/**
 * @typedef {{ land: string, ink: string, act: string, onAct: string, panel: string, tooWide: string, rates: string[] }} Tokens
 */

/**
 * @param {HTMLElement} element
 * @returns {Tokens}
 */
export function readTokens(element) {
  const style = getComputedStyle(element);
  const token = (/** @type {string} */ name) => style.getPropertyValue(name).trim();
  return {
    land: token('--land'),
    ink: token('--ink'),
    act: token('--act'),
    onAct: token('--on-act'),
    panel: token('--panel'),
    tooWide: token('--too-wide'),
    rates: [0, 1, 2, 3, 4].map((step) => token(`--r${step}`)),
  };
}

/**
 * @param {string} color
 * @param {number} width
 * @param {number[]} [lineDash]
 */
function line(color, width, lineDash) {
  return new Style({ stroke: new Stroke({ color, width, lineDash, lineCap: 'butt' }) });
}

/**
 * @param {Tokens} tokens
 * @param {string | null} picked
 */
export function stretchStyles(tokens, picked) {
  const halo = line(tokens.land, 10);
  const made = {
    narrow: tokens.rates.map((color) => [halo, line(color, 5)]),
    wide: tokens.rates.map((color) => [halo, line(color, 5, [10, 5])]),
    // A stretch of a few pixels has room for no long dash, and would look as sure as any.
    wideAfar: tokens.rates.map((color) => [halo, line(color, 5, [4, 3])]),
    tooWide: [halo, line(tokens.tooWide, 3), line(tokens.land, 1.4)],
    none: [line(tokens.tooWide, 1, [1, 3])],
  };
  const outline = line(tokens.act, 14);
  return (/** @type {import('ol/Feature.js').FeatureLike} */ feature, /** @type {number} */ resolution) => {
    const word = feature.get('interval_width');
    const step = feature.get('rate_class') ?? 0;
    let styles = made.none;
    if (word === 'narrow') styles = made.narrow[step];
    else if (word === 'wide') styles = (resolution > 8 ? made.wideAfar : made.wide)[step];
    else if (word === 'too wide') styles = made.tooWide;
    const isPicked = picked !== null && String(feature.getId()) === picked;
    const all = isPicked ? [outline, ...styles] : [...styles];
    return all;
  };
}

export const NAME_FONT = 'italic 14px system-ui, sans-serif';

/** @param {Tokens} tokens */
export function nameStyle(tokens) {
  return (/** @type {import('ol/Feature.js').FeatureLike} */ feature) => {
    const line = longestLine(feature);
    const side = feature.get('name_side');
    if (!line || !side) return undefined;
    return new Style({
      geometry: new Point(line.getCoordinateAt(0.5)),
      text: new Text({
        text: feature.get('label'),
        font: NAME_FONT,
        textAlign: side.align,
        offsetX: side.offsetX,
        offsetY: side.offsetY,
        fill: new Fill({ color: tokens.ink }),
        stroke: new Stroke({ color: tokens.land, width: 4 }),
      }),
    });
  };
}

/** @param {Tokens} tokens */
export function signStyle(tokens) {
  return (/** @type {import('ol/Feature.js').FeatureLike} */ feature) => {
    const stands = feature.get('standing') === true;
    return new Style({
      image: new RegularShape({
        points: 4,
        radius: 17,
        angle: Math.PI / 4,
        fill: new Fill({ color: stands ? tokens.panel : tokens.act }),
        stroke: new Stroke({ color: stands ? tokens.act : tokens.land, width: stands ? 3 : 2 }),
      }),
      text: new Text({
        text: String(feature.get('number') ?? ''),
        font: 'bold 15px system-ui, sans-serif',
        fill: new Fill({ color: stands ? tokens.act : tokens.onAct }),
      }),
    });
  };
}

/**
 * A band along the whole of a trail with a temporary notice.
 * @param {Tokens} tokens
 */
export function noticeBand(tokens) {
  return line(tokens.act, 16, [3, 5]);
}

/**
 * A third along the longest line, away from the trail's name: the notice is about the whole trail.
 * @param {import('ol/Feature.js').FeatureLike} feature
 */
function markAt(feature) {
  const line = longestLine(feature);
  return line ? new Point(line.getCoordinateAt(1 / 3)) : undefined;
}

/** @param {Tokens} tokens */
export function noticeMark(tokens) {
  return new Style({
    geometry: markAt,
    image: new RegularShape({
      points: 3,
      radius: 16,
      fill: new Fill({ color: tokens.panel }),
      stroke: new Stroke({ color: tokens.act, width: 2.5 }),
    }),
    text: new Text({
      text: '!',
      offsetY: 2,
      font: 'bold 15px system-ui, sans-serif',
      fill: new Fill({ color: tokens.act }),
    }),
  });
}
