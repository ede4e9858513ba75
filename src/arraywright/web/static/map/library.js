// @ts-check
// The drawing library, whose own types are not needed here.

// @ts-ignore
import * as library from "../vendor/twgl/twgl-full.module.js";

/** @type {any} */
export const twgl = library;
