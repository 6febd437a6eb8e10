/** What the page was given: lights, layers, camera, points; and elements by their id. */

export const set = JSON.parse(document.getElementById("set").textContent);
export const width = set.width;
export const height = set.height;
export const lights = set.lights;
export const count = lights.length;

/** @type {(id: string) => any} */
export const byId = (id) => document.getElementById(id);
