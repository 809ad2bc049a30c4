// Owns the picture: the coupon from above or from the side, with the jaws on the feature that is to be measured.

const SVG = "http://www.w3.org/2000/svg";

function shape(parent, name, attributes, text) {
  const node = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  if (text !== undefined) node.textContent = text;
  parent.append(node);
  return node;
}

const add = (p, q, k = 1) => [p[0] + k * q[0], p[1] + k * q[1]];
const points = (list) => list.map((p) => `${p[0]},${p[1]}`).join(" ");

// Unit vector from a to b, and the one across it. Coordinates are the picture's: y points down.
function axes(a, b) {
  const d = [b[0] - a[0], b[1] - a[1]];
  const length = Math.hypot(d[0], d[1]) || 1;
  const along = [d[0] / length, d[1] / length];
  return { along, across: [-along[1], along[0]], length };
}

// A jaw whose flat face stands on the contact and whose body lies on the side `way`.
function jaw(svg, contact, way, across, half, deep) {
  const far = add(contact, way, deep);
  const narrow = half * 0.72;
  const shoulder = add(contact, way, deep * 0.72);
  shape(svg, "polygon", {
    class: "jaw",
    points: points([
      add(contact, across, -half), add(shoulder, across, -half), add(far, across, -narrow),
      add(far, across, narrow), add(shoulder, across, half), add(contact, across, half),
    ]),
  });
  shape(svg, "line", { class: "grip", ...ends(add(contact, across, -half), add(contact, across, half)) });
}

const ends = (p, q) => ({ x1: p[0], y1: p[1], x2: q[0], y2: q[1] });

function arrow(svg, tip, way, across, px) {
  const back = add(tip, way, -11 * px);
  shape(svg, "polygon", {
    class: "tip",
    points: points([tip, add(back, across, 4 * px), add(back, across, -4 * px)]),
  });
}

// The dimension line: between the contacts where there is room, else beside the feature.
function span(svg, a, b, frame, px, label) {
  const { along, across, length } = frame;
  const room = length > 34 * px;
  shape(svg, "line", { class: "span", ...ends(a, b) });
  if (room) {
    arrow(svg, a, [-along[0], -along[1]], across, px);
    arrow(svg, b, along, across, px);
  }
  const middle = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
  // Above a flat line, beside an upright one.
  const flat = Math.abs(along[0]) > 0.5;
  const at = flat ? [middle[0], middle[1] - 9 * px] : [middle[0] + 9 * px, middle[1] + 6 * px];
  shape(svg, "text", {
    class: "size", x: at[0], y: at[1], "font-size": 19 * px, "stroke-width": 4 * px,
    "text-anchor": flat ? "middle" : "start",
  }, label);
}

function xArrow(svg, box, px) {
  const at = [box.x + 16 * px, box.y + box.h - 16 * px];
  const tip = add(at, [1, 0], 34 * px);
  shape(svg, "rect", {
    class: "mat", x: at[0] - 8 * px, y: at[1] - 13 * px, width: 78 * px, height: 26 * px,
  });
  shape(svg, "line", { class: "axis", ...ends(at, tip) });
  shape(svg, "polygon", {
    class: "axis", points: points([tip, add(tip, [-9 * px, -4 * px]), add(tip, [-9 * px, 4 * px])]),
  });
  shape(svg, "text", { class: "other", x: tip[0] + 5 * px, y: tip[1] + 5 * px, "font-size": 15 * px }, "+x");
}

// How far the picture is zoomed: the whole coupon, or nearer where the feature is small in it.
// On a low screen, a phone's with its keyboard up, the picture needs its height: only the jaws get room of their own.
const LOW = 220;

function frameOf(view, a, b, width, height) {
  const low = height < LOW;
  const flat = Math.abs(b[0] - a[0]) >= Math.abs(b[1] - a[1]);
  const pad = [52, low ? (flat ? 10 : 30) : 52];
  const fit = (x0, y0, x1, y1) => Math.max((x1 - x0) / (width - 2 * pad[0]), (y1 - y0) / (height - 2 * pad[1]));
  let [x0, y0, x1, y1] = view.bounds;
  const reach = Math.hypot(b[0] - a[0], b[1] - a[1]);
  const whole = fit(x0, y0, x1, y1);
  let near = false;
  if (whole > 0 && reach / whole < (low ? 90 : 44)) {
    near = true;
    const half = low ? Math.max(0.25 * reach, 4) : Math.max(1.6 * reach, 9);
    const about = [Math.min(a[0], b[0]) - half, Math.min(a[1], b[1]) - half, Math.max(a[0], b[0]) + half,
      Math.max(a[1], b[1]) + half];
    [x0, y0] = [Math.max(x0, about[0]), Math.max(y0, about[1])];
    [x1, y1] = [Math.min(x1, about[2]), Math.min(y1, about[3])];
  }
  const px = Math.max(fit(x0, y0, x1, y1), 1e-3);
  const [w, h] = [width * px, height * px];
  return { x: (x0 + x1) / 2 - w / 2, y: (y0 + y1) / 2 - h / 2, w, h, px, near };
}

// In the corner: the whole coupon, and which part of it the picture shows.
function inset(svg, view, outline, box, px) {
  const [x0, y0, x1, y1] = view.bounds;
  const side = 92 * px;
  const scale = Math.min(side / (x1 - x0), side / (y1 - y0));
  const [w, h] = [(x1 - x0) * scale, (y1 - y0) * scale];
  const at = [box.x + box.w - w - 14 * px, box.y + 14 * px];
  shape(svg, "rect", { class: "mat", x: at[0] - 7 * px, y: at[1] - 7 * px, width: w + 14 * px, height: h + 14 * px });
  const group = shape(svg, "g", {
    transform: `translate(${at[0] - x0 * scale} ${at[1] - y0 * scale}) scale(${scale})`,
  });
  shape(group, "path", { class: "base", d: view.base, "fill-rule": "evenodd" });
  shape(group, "path", { class: "cut", d: outline, "fill-rule": "evenodd" });
  const [left, top] = [Math.max(box.x, x0), Math.max(box.y, y0)];
  shape(group, "rect", {
    class: "window", x: left, y: top, width: Math.min(box.x + box.w, x1) - left,
    height: Math.min(box.y + box.h, y1) - top,
  });
}

export function blank(svg) {
  svg.replaceChildren();
  svg.removeAttribute("viewBox");
}

// data: what the program says of the coupon; feature: one of its entries; label: the size in words.
export function draw(svg, data, feature, label) {
  const width = svg.clientWidth || 320;
  const height = svg.clientHeight || 240;
  const view = data.views[feature.view];
  const box = frameOf(view, feature.a, feature.b, width, height);
  svg.replaceChildren();
  svg.setAttribute("viewBox", `${box.x} ${box.y} ${box.w} ${box.h}`);
  const { px } = box;
  const outline = feature.cut === null ? view.base : view.cuts[feature.cut];
  shape(svg, "path", { class: "base", d: view.base, "fill-rule": "evenodd" });
  shape(svg, "path", { class: "cut", d: outline, "fill-rule": "evenodd" });
  if (view.edges) shape(svg, "path", { class: "top", d: view.edges });

  const frame = axes(feature.a, feature.b);
  const inward = frame.along;
  const outward = [-frame.along[0], -frame.along[1]];
  const inside = feature.kind === "inside";
  // Half the jaw's width, and how deep it shows: two inside jaws must leave room for each other.
  const half = Math.max(feature.jaw / 2, 5 * px);
  const deep = inside ? Math.min(24 * px, 0.32 * frame.length) : 24 * px;
  shape(svg, "polygon", {
    class: "band",
    points: points([
      add(feature.a, frame.across, -half), add(feature.b, frame.across, -half),
      add(feature.b, frame.across, half), add(feature.a, frame.across, half),
    ]),
  });
  // Nothing is put on a row that is read by eye.
  const byEye = feature.kind === "vernier" || feature.kind === "gap";
  if (!byEye) {
    jaw(svg, feature.a, inside ? inward : outward, frame.across, half, deep);
    jaw(svg, feature.b, inside ? outward : inward, frame.across, half, deep);
    span(svg, feature.a, feature.b, frame, px, label);
  }
  if (box.near && height >= LOW) inset(svg, view, outline, box, px);
  if (feature.view === "plan") xArrow(svg, box, px);
}
