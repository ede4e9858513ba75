// Reads codes out of pictures, away from the screen's own thread.

import { prepareZXingModule, readBarcodes } from "./zxing/reader/index.js";

prepareZXingModule({
  overrides: {
    locateFile: (name) => new URL(`./zxing/reader/${name}`, import.meta.url).href,
  },
});

const OPTIONS = {
  formats: ["Code128", "Code39", "DataMatrix", "QRCode", "ITF", "EAN13"],
  tryHarder: true,
  tryRotate: true,
  tryInvert: true,
  tryDownscale: true,
  maxNumberOfSymbols: 4,
};
// Ways to look at one picture. Each finds codes that the others miss: twice as large and softened
// helps against noise and narrow bars, one threshold for the whole picture against weak print.
const WAYS = [
  { binarizer: "LocalAverage", scale: 1, soft: 0 },
  { binarizer: "GlobalHistogram", scale: 1, soft: 0 },
  { binarizer: "LocalAverage", scale: 2, soft: 1.5 },
  { binarizer: "LocalAverage", scale: 2, soft: 0 },
  { binarizer: "LocalAverage", scale: 1, soft: 1 },
];

function looked(image, { scale, soft }) {
  if (scale === 1 && !soft) return image;
  const source = new OffscreenCanvas(image.width, image.height);
  source.getContext("2d").putImageData(image, 0, 0);
  const canvas = new OffscreenCanvas(image.width * scale, image.height * scale);
  const draw = canvas.getContext("2d");
  if (soft && "filter" in draw) draw.filter = `blur(${soft}px)`;
  draw.imageSmoothingQuality = "high";
  draw.drawImage(source, 0, 0, canvas.width, canvas.height);
  return draw.getImageData(0, 0, canvas.width, canvas.height);
}

addEventListener("message", async ({ data }) => {
  const { id, image, ways } = data;
  try {
    let codes = [];
    for (const number of ways) {
      const way = WAYS[number % WAYS.length];
      const found = await readBarcodes(looked(image, way), {
        ...OPTIONS,
        binarizer: way.binarizer,
      });
      codes = found
        .filter((one) => one.isValid && one.text)
        .map((one) => ({ text: one.text, format: one.format }));
      if (codes.length) break;
    }
    postMessage({ id, codes });
  } catch (error) {
    postMessage({ id, codes: [], error: String(error && error.message) });
  }
});
