// Compares two specifications and tells what would break a client: of a released one, nothing may.
//
// Usage: node breaking.mjs released.json openapi.json      exits with 1 where something breaks
//
// The comparison is api-smart-diff's. Where its view differs from what README promises to clients,
// the rules below decide; tests/contract/breaking.test.mjs holds all of it to small examples.
import { readFileSync } from "node:fs";
import { argv, exit } from "node:process";
import { pathToFileURL } from "node:url";

import { apiCompare } from "api-smart-diff";

const BOUNDS = ["maximum", "minimum", "maxLength", "minLength", "maxItems", "minItems"];

// Each rule: whether it speaks of a difference, and whether that breaks. The first that speaks
// decides; where none does, api-smart-diff has decided.
const RULES = [
  // compared where they are used; but a generated client imports a schema by its name
  ({ path, action }) =>
    path[0] === "components" ? path.length === 3 && path[1] === "schemas" && action === "remove" : null,
  // a generated client calls an operation by it
  ({ path, action }) => (path[3] === "operationId" ? action !== "add" : null),
  // a client without a key is locked out
  ({ path, action }) => (path[3] === "security" && path.length === 4 ? action === "add" : null),
  // unknown fields are refused
  ({ path, action }) =>
    path[3] === "requestBody" && path.at(-2) === "properties" && action === "remove" ? true : null,
  // a client that never met null does not expect it
  ({ path, action }) =>
    path[3] === "responses" && path.at(-1) === "type" && action === "replace" ? true : null,
  // a wider range of an answer is no other kind of answer
  ({ path }) => (path[3] === "responses" && BOUNDS.includes(path.at(-1)) ? false : null),
  // one way less to be refused
  ({ path, action }) =>
    path[3] === "responses" && path.length === 5 && /^[45]/.test(path[4]) && action === "remove"
      ? false
      : null,
];

const pointer = (path) => path.map((step) => `/${String(step).replaceAll("/", "~1")}`).join("");

function breaks(difference) {
  for (const rule of RULES) {
    const verdict = rule(difference);
    if (verdict !== null) return verdict;
  }
  return difference.type === "breaking";
}

/** What of `after` breaks a client of `before`, one line each. */
export function breaking(before, after) {
  const { diffs } = apiCompare(before, after);
  const lines = diffs.filter(breaks).map(({ action, path, before: was, after: is }) => {
    const shown = action === "replace" ? `: ${JSON.stringify(was)} to ${JSON.stringify(is)}` : "";
    return `${action} ${pointer(path)}${shown}`;
  });
  return [...new Set(lines)];
}

if (import.meta.url === pathToFileURL(argv[1]).href) {
  const [before, after] = argv.slice(2).map((file) => JSON.parse(readFileSync(file, "utf8")));
  const found = breaking(before, after);
  if (found.length) {
    console.error(`openapi.json breaks clients of the released specification in ${found.length} places:`);
    console.error(found.slice(0, 100).join("\n"));
    exit(1);
  }
  console.log("nothing in openapi.json breaks clients of the released specification");
}
