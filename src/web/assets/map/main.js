// The interactive map: laid over the server-drawn one once its data has come, so that nothing is lost without it.
import Map from 'ol/Map.js';
import View from 'ol/View.js';
import GeoJSON from 'ol/format/GeoJSON.js';
import VectorLayer from 'ol/layer/Vector.js';
import VectorImageLayer from 'ol/layer/VectorImage.js';
import VectorSource from 'ol/source/Vector.js';
import ScaleLine from 'ol/control/ScaleLine.js';
import { isEmpty } from 'ol/extent.js';
import 'ol/ol.css';
import './map.css';
import { placeNames } from './labels.js';
import { NAME_FONT, stretchStyles, nameStyle, signStyle, noticeBand, noticeMark, readTokens } from './styles.js';

/**
 * @param {string} url
 * @returns {Promise<VectorSource>}
 */
async function load(url) {
  const response = await fetch(url, { headers: { accept: 'application/geo+json' } });
  if (!response.ok) throw new Error(`${url}: ${response.status}`);
  const features = new GeoJSON({ featureProjection: 'EPSG:3857' }).readFeatures(await response.json());
  return new VectorSource({ features });
}

/**
 * Where no plan can be made there are no signs, and still a map; notices are in the list beside it, too.
 * @param {string | undefined} url
 * @returns {Promise<VectorSource>}
 */
function loadIfThere(url) {
  return url ? load(url).catch(() => new VectorSource()) : Promise.resolve(new VectorSource());
}

/**
 * @param {HTMLElement} box
 * @param {Map} map
 * @param {() => void} fit
 */
function addButtons(box, map, fit) {
  const view = map.getView();
  const zoomBy = (/** @type {number} */ step) => () =>
    view.animate({ zoom: (view.getZoom() ?? 0) + step, duration: 120 });
  const actions = [
    { words: '+', label: 'Zoom in', act: zoomBy(1) },
    { words: '−', label: 'Zoom out', act: zoomBy(-1) },
    { words: '◱', label: 'Show the whole area', act: fit },
  ];
  const group = document.createElement('div');
  group.className = 'map-zoom';
  for (const { words, label, act } of actions) {
    const button = document.createElement('button');
    button.type = 'button';
    button.textContent = words;
    button.setAttribute('aria-label', label);
    button.addEventListener('click', act);
    group.append(button);
  }
  box.append(group);
}

/**
 * The map never turns, so north is always up.
 *
 * @param {HTMLElement} target
 */
function addNorth(target) {
  const arrow = document.createElement('div');
  arrow.className = 'map-north';
  arrow.textContent = '▲ N';
  target.append(arrow);
}

/** @param {string} href */
function pick(href) {
  if (href.startsWith('/notices/')) {
    window.location.assign(href);
    return;
  }
  const there = new URL(window.location.href);
  const wanted = new URL(href, window.location.href).searchParams.get('stretch');
  if (wanted === null) return;
  there.searchParams.set('stretch', wanted);
  window.location.assign(there);
}

/** @param {HTMLElement} box */
async function start(box) {
  const [stretches, signs, notices] = await Promise.all([
    load(box.dataset.stretches ?? ''),
    loadIfThere(box.dataset.signs),
    loadIfThere(box.dataset.notices),
  ]);
  const extent = stretches.getExtent();
  if (!extent || isEmpty(extent)) return;
  const target = document.createElement('div');
  target.className = 'map-live';
  box.append(target);
  const picked = new URL(window.location.href).searchParams.get('stretch');
  const styles = () => {
    const tokens = readTokens(box);
    return {
      line: stretchStyles(tokens, picked),
      name: nameStyle(tokens),
      sign: signStyle(tokens),
      band: noticeBand(tokens),
      mark: noticeMark(tokens),
    };
  };
  let style = styles();
  const lines = new VectorImageLayer({ source: stretches, style: style.line, imageRatio: 1.5 });
  const named = stretches.getFeatures().filter((feature) => feature.get('label'));
  const names = new VectorLayer({ source: new VectorSource({ features: named }), style: style.name, declutter: true });
  const marks = new VectorImageLayer({ source: signs, style: style.sign });
  // A band below the stretches says which trail, a mark above them can be clicked.
  const bands = new VectorImageLayer({ source: notices, style: style.band });
  const warnings = new VectorImageLayer({ source: notices, style: style.mark });
  const map = new Map({
    target,
    keyboardEventTarget: box,
    layers: [bands, lines, marks, warnings, names],
    controls: [new ScaleLine({ minWidth: 90 })],
    view: new View({ constrainRotation: 1, enableRotation: false, maxZoom: 19, minZoom: 8 }),
  });
  const fit = () => {
    map.updateSize();
    map.getView().fit(extent, { padding: [72, 48, 72, 48] });
  };
  fit();
  addButtons(box, map, fit);
  addNorth(target);
  window.matchMedia('(prefers-color-scheme: dark)').addEventListener('change', () => {
    style = styles();
    lines.setStyle(style.line);
    names.setStyle(style.name);
    marks.setStyle(style.sign);
    bands.setStyle(style.band);
    warnings.setStyle(style.mark);
  });
  const place = () => {
    placeNames(map, named, signs.getFeatures(), NAME_FONT);
    names.changed();
  };
  map.on('moveend', place);
  map.on('singleclick', (event) => {
    const hit = map.forEachFeatureAtPixel(event.pixel, (feature) => feature, { hitTolerance: 12 });
    const href = hit?.get('href');
    if (typeof href === 'string') pick(href);
  });
  map.on('pointermove', (event) => {
    const over = map.hasFeatureAtPixel(event.pixel, { hitTolerance: 8 });
    target.style.cursor = over ? 'pointer' : '';
  });
  map.once('rendercomplete', () => {
    // Pixels are known from the first frame on; `moveend` comes with the first move only.
    place();
    box.classList.add('is-live');
    box.dataset.ready = 'yes';
  });
}

// On a phone the list comes before a legend that was read once.
if (window.matchMedia('(max-width: 800px)').matches) {
  document.querySelector('details.legend')?.removeAttribute('open');
}

const box = document.getElementById('map');
if (box?.dataset.stretches) {
  start(box).catch((error) => console.warn('The server-drawn map stays:', error));
}
