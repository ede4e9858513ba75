// Reads codes out of pictures, away from the screen's own thread.

import { prepareZXingModule, readBarcodes } from "./zxing/reader/index.js";

export const FORMATS = ["Code128", "Code39", "DataMatrix", "QRCode", "ITF", "EAN13"];

prepareZXingModule({
  overrides: {
    locateFile: (name) => new URL(`./zxing/reader/${name}`, import.meta.url).href,
  },
});

const OPTIONS = {
  formats: FORMATS,
  tryHarder: true,
  tryRotate: true,
  tryInvert: true,
  tryDownscale: true,
  maxNumberOfSymbols: 4,
  validateCode39CheckSum: false,
};

addEventListener("message", async ({ data }) => {
  const { id, image } = data;
  try {
    const found = await readBarcodes(image, OPTIONS);
    const codes = found
      .filter((one) => one.isValid && one.text)
      .map((one) => ({ text: one.text, format: one.format }));
    postMessage({ id, codes });
  } catch (error) {
    postMessage({ id, codes: [], error: String(error && error.message) });
  }
});
postMessage({ ready: true });
