// Writes calls.ts: one typed call of every operation of the specification with its example, so that
// the compiler holds each example against the generated types, and the test sends it.
//
// Usage: node calls.mjs openapi.json > calls.ts
import { readFileSync } from "node:fs";

const JSON_TYPE = "application/json";
const METHODS = ["get", "put", "post", "delete", "patch"];
const document = JSON.parse(readFileSync(process.argv[2], "utf8"));

function* operations() {
  for (const [path, item] of Object.entries(document.paths)) {
    for (const method of METHODS) {
      if (method in item) yield { path, method, operation: item[method] };
    }
  }
}

const required = (parameters = []) => parameters.filter((each) => each.required);

function call({ path, method, operation }) {
  const content = operation.requestBody?.content;
  const answers = operation.responses["200"].content;
  const kind = JSON_TYPE in answers ? JSON_TYPE : Object.keys(answers)[0];
  const options = [];
  if (content) options.push(`body: ${JSON.stringify(content[JSON_TYPE].example)}`);
  const query = required(operation.parameters).map(({ name, example, schema }) => {
    const value = example ?? schema.example ?? schema.enum?.[0] ?? schema.default;
    return `${JSON.stringify(name)}: ${JSON.stringify(value)}`;
  });
  if (query.length) options.push(`params: { query: { ${query.join(", ")} } }`);
  if (kind !== JSON_TYPE) options.push('parseAs: "text"', `headers: { Accept: ${JSON.stringify(kind)} }`);
  const client = `createClient<paths, ${JSON.stringify(kind)}>({ baseUrl })`;
  return `  ${operation.operationId}: (baseUrl: string) =>
    ${client}.${method.toUpperCase()}(${JSON.stringify(path)}, { ${options.join(", ")} }),`;
}

console.log(`import createClient from "openapi-fetch";
import type { paths } from "./service.js";

export const calls = {
${Array.from(operations(), call).join("\n")}
};`);
