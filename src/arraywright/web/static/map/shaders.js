// @ts-check
// Programs of the graphics unit: turned rectangles with a pattern, and signs of constant size.
// Every rectangle comes as four corners, one after the other; their number says which.

const SHARED = `
uniform sampler2D looks;
uniform vec2 middle;
uniform vec2 perMetre;
vec2 cornerOf(int number) {
  return vec2((number & 1) == 0 ? -1.0 : 1.0, (number & 2) == 0 ? -1.0 : 1.0);
}
vec4 placed(vec2 metres, float rank) {
  return vec4((metres - middle) * perMetre, 1.0 - (rank + 1.0) / 128.0, 1.0);
}
`;

export const BOX_VERTEX = `#version 300 es
precision highp float;
in vec2 centre;
in vec4 sides;
in float code;
uniform float pixelsPerMetre;
uniform float joint;
${SHARED}
flat out vec3 colour;
flat out int pattern;
flat out vec2 halfPixels;
out vec2 within;
void main() {
  ivec2 at = ivec2(int(code), 0);
  vec4 look = texelFetch(looks, at, 0);
  vec4 more = texelFetch(looks, at + ivec2(0, 1), 0);
  vec2 corner = cornerOf(gl_VertexID & 3);
  vec2 halves = max(vec2(length(sides.xy), length(sides.zw)), vec2(1e-6));
  // Gaps of less than half a pixel would show here and there only: they are closed.
  vec2 grown = max(halves + joint, vec2(0.35 / pixelsPerMetre));
  vec2 reach = corner * grown / halves;
  colour = look.rgb;
  pattern = int(look.a * 255.0 + 0.5);
  halfPixels = grown * pixelsPerMetre;
  within = corner * halfPixels;
  gl_Position = placed(centre + reach.x * sides.xy + reach.y * sides.zw, more.r * 255.0);
}`;

export const BOX_FRAGMENT = `#version 300 es
precision highp float;
flat in vec3 colour;
flat in int pattern;
flat in vec2 halfPixels;
in vec2 within;
uniform vec3 paper;
uniform vec3 ink;
uniform float unit;
out vec4 shown;
void main() {
  vec3 held = colour;
  float rim = min(halfPixels.x - abs(within.x), halfPixels.y - abs(within.y));
  float small = min(halfPixels.x, halfPixels.y);
  if (pattern == 7) {
    held = mix(paper, colour, rim < unit && small > 2.0 * unit ? 1.0 : 0.35);
  } else if (pattern > 0) {
    vec2 at = mod(gl_FragCoord.xy, 6.0 * unit) / unit;
    bool light = false;
    float rising = mod(at.x - at.y, 6.0);
    float falling = mod(at.x + at.y, 6.0);
    if (pattern == 1) light = rising < 2.0;
    else if (pattern == 2) light = falling < 2.0;
    else if (pattern == 3) light = at.y < 2.0;
    else if (pattern == 4) light = at.x < 2.0;
    else if (pattern == 5) light = length(at - 3.0) < 1.5;
    else light = rising < 1.4 || falling < 1.4;
    if (light) held = mix(colour, paper, 0.6);
  }
  if (small > 4.0 * unit && rim < unit) held = mix(held, ink, 0.55);
  shown = vec4(held, 1.0);
}`;

export const SIGN_VERTEX = `#version 300 es
precision highp float;
in vec2 centre;
in float code;
uniform vec2 sizeInView;
${SHARED}
flat out vec3 colour;
flat out int sign;
out vec2 within;
void main() {
  ivec2 at = ivec2(int(code), 0);
  vec4 more = texelFetch(looks, at + ivec2(0, 1), 0);
  colour = texelFetch(looks, at, 0).rgb;
  sign = int(more.g * 255.0 + 0.5);
  within = cornerOf(gl_VertexID & 3) * 1.2;
  gl_Position = placed(centre, 100.0 + more.r * 255.0);
  gl_Position.xy += within * sizeInView;
}`;

export const SIGN_FRAGMENT = `#version 300 es
precision highp float;
flat in vec3 colour;
flat in int sign;
in vec2 within;
uniform vec3 ink;
out vec4 shown;
float outside(vec2 at) {
  if (sign == 1) return max(-at.y - 0.8, at.y + 2.0 * abs(at.x) - 1.0) * 0.6;
  if (sign == 2) {
    vec2 turned = abs(vec2(at.x + at.y, at.x - at.y)) * 0.7071;
    return min(max(turned.x - 0.32, turned.y - 1.1), max(turned.y - 0.32, turned.x - 1.1));
  }
  if (sign == 3) return (abs(at.x) + abs(at.y) - 1.0) * 0.7;
  vec2 arrow = sign == 5 ? vec2(at.x, -at.y) : at;
  float head = max(-arrow.y - 0.1, arrow.y + abs(arrow.x) - 1.0) * 0.7;
  float shaft = max(abs(arrow.x) - 0.35, max(-arrow.y - 1.0, arrow.y));
  return min(head, shaft);
}
void main() {
  float away = outside(within);
  if (away > 0.16) discard;
  shown = vec4(away > 0.0 ? ink : colour, 1.0);
}`;
