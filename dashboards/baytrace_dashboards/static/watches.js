// What the bench's watches are: the marks they understand and the roles they listen to. Asked once.
import { get } from "./live.js";

let asked = null;
let known = new Map();

export function allWatches() {
  asked = asked || get("/api/watches").then((all) => { known = new Map(all.map((watch) => [watch.name, watch])); return all; }).catch((error) => { asked = null; throw error; });
  return asked;
}

export const marksOf = (name) => (known.has(name) ? known.get(name).marks : []);
export const rolesOf = (name) => (known.has(name) ? known.get(name).roles : []);
