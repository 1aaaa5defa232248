// What counts as breaking: the promise of README ("within a version changes only add"), as examples.
import assert from "node:assert/strict";
import test from "node:test";

import { breaking } from "./breaking.mjs";

function specification() {
  const answer = { content: { "application/json": { schema: { $ref: "#/components/schemas/Answer" } } } };
  const refused = { description: "refused" };
  return {
    openapi: "3.1.0",
    info: { title: "t", version: "1" },
    paths: {
      "/v1/thing": {
        get: { operationId: "listThings", responses: { 200: { description: "d", ...answer } } },
        post: {
          operationId: "thing",
          parameters: [
            { in: "query", name: "units", schema: { type: "string", enum: ["mm", "in"] } },
          ],
          requestBody: {
            required: true,
            content: {
              "application/json": { schema: { $ref: "#/components/schemas/Ask" }, example: { size: 1 } },
              "text/csv": { schema: { type: "string" } },
            },
          },
          responses: {
            200: {
              description: "d",
              headers: { Findings: { schema: { type: "string" } } },
              content: { ...answer.content, "text/csv": { schema: { type: "string" } } },
            },
            406: refused,
            422: refused,
          },
        },
      },
    },
    components: {
      schemas: {
        Ask: {
          type: "object",
          additionalProperties: false,
          required: ["size"],
          properties: {
            size: { type: "number", minimum: 1, maximum: 10 },
            name: { type: "string", maxLength: 9, pattern: "^a" },
            mode: { type: "string", enum: ["one", "two"], default: "one" },
            items: { type: "array", maxItems: 5, items: { type: "number" } },
            run: { oneOf: [{ $ref: "#/components/schemas/Table" }, { $ref: "#/components/schemas/Row" }] },
          },
        },
        Table: { type: "object", required: ["rows"], properties: { rows: { type: "integer" } } },
        Row: { type: "object", required: ["at"], properties: { at: { type: "integer" } } },
        Answer: {
          type: "object",
          required: ["length", "part"],
          properties: {
            length: { type: "number", maximum: 100 },
            part: { anyOf: [{ $ref: "#/components/schemas/Part" }] },
            kind: { type: "string", enum: ["a", "b"] },
          },
        },
        Part: { type: "object", required: ["mass"], properties: { mass: { type: "number" } } },
      },
    },
  };
}

const ask = (spec) => spec.components.schemas.Ask;
const answer = (spec) => spec.components.schemas.Answer;
const post = (spec) => spec.paths["/v1/thing"].post;
const without = (list, member) => list.filter((each) => each !== member);

const BREAKS = {
  "a path goes": (s) => delete s.paths["/v1/thing"],
  "an operation goes": (s) => delete s.paths["/v1/thing"].get,
  "an operation is renamed": (s) => (post(s).operationId = "other"),
  "a schema is renamed": (s) => {
    s.components.schemas.Piece = s.components.schemas.Part;
    delete s.components.schemas.Part;
    answer(s).properties.part.anyOf = [{ $ref: "#/components/schemas/Piece" }];
  },
  "a request field goes": (s) => delete ask(s).properties.mode,
  "a request field becomes required": (s) => ask(s).required.push("name"),
  "a required request field comes": (s) => {
    ask(s).properties.extra = { type: "string" };
    ask(s).required.push("extra");
  },
  "a request field changes its type": (s) => (ask(s).properties.size.type = "string"),
  "a request maximum falls": (s) => (ask(s).properties.size.maximum = 9),
  "a request minimum rises": (s) => (ask(s).properties.size.minimum = 2),
  "a request text gets shorter": (s) => (ask(s).properties.name.maxLength = 8),
  "a request pattern changes": (s) => (ask(s).properties.name.pattern = "^b"),
  "fewer items are taken": (s) => (ask(s).properties.items.maxItems = 4),
  "a choice goes": (s) => ask(s).properties.mode.enum.pop(),
  "a default changes": (s) => (ask(s).properties.mode.default = "two"),
  "a shape goes": (s) => ask(s).properties.run.oneOf.pop(),
  "a request media type goes": (s) => delete post(s).requestBody.content["text/csv"],
  "a parameter goes": (s) => post(s).parameters.pop(),
  "a parameter becomes required": (s) => (post(s).parameters[0].required = true),
  "a required parameter comes": (s) =>
    post(s).parameters.push({ in: "query", name: "x", required: true, schema: { type: "string" } }),
  "a choice of a parameter goes": (s) => post(s).parameters[0].schema.enum.pop(),
  "a member of the answer goes": (s) => {
    delete answer(s).properties.length;
    answer(s).required = without(answer(s).required, "length");
  },
  "a member of the answer may be absent": (s) => {
    answer(s).required = without(answer(s).required, "length");
  },
  "a number of the answer may be null": (s) => (answer(s).properties.length.type = ["number", "null"]),
  "an object of the answer may be null": (s) => answer(s).properties.part.anyOf.push({ type: "null" }),
  "a member of the answer changes its type": (s) => (answer(s).properties.length.type = "string"),
  "a word of the answer comes": (s) => answer(s).properties.kind.enum.push("c"),
  "a media type of the answer goes": (s) => delete post(s).responses["200"].content["text/csv"],
  "a header of the answer goes": (s) => delete post(s).responses["200"].headers.Findings,
  "a key becomes necessary": (s) => (post(s).security = [{ bearerKey: [] }]),
};

const HOLDS = {
  nothing: () => {},
  "a path comes": (s) => (s.paths["/v1/other"] = s.paths["/v1/thing"]),
  "an optional request field comes": (s) => (ask(s).properties.extra = { type: "string" }),
  "a request field becomes optional": (s) => (ask(s).required = []),
  "a request maximum rises": (s) => (ask(s).properties.size.maximum = 11),
  "a request minimum falls": (s) => (ask(s).properties.size.minimum = 0),
  "more items are taken": (s) => (ask(s).properties.items.maxItems = 6),
  "a choice comes": (s) => ask(s).properties.mode.enum.push("three"),
  "a shape comes": (s) => ask(s).properties.run.oneOf.push({ $ref: "#/components/schemas/Part" }),
  "a request media type comes": (s) => (post(s).requestBody.content["text/xml"] = { schema: {} }),
  "an optional parameter comes": (s) =>
    post(s).parameters.push({ in: "query", name: "x", schema: { type: "string" } }),
  "a member of the answer comes": (s) => {
    answer(s).properties.extra = { type: "string" };
    answer(s).required.push("extra");
  },
  "a number of the answer may be larger": (s) => (answer(s).properties.length.maximum = 200),
  "a word of the answer goes": (s) => answer(s).properties.kind.enum.pop(),
  "a media type of the answer comes": (s) =>
    (post(s).responses["200"].content["image/svg+xml"] = { schema: { type: "string" } }),
  "a refusal comes": (s) => (post(s).responses["429"] = { description: "too many" }),
  "a refusal goes": (s) => delete post(s).responses["406"],
  "words of the documentation change": (s) => {
    ask(s).description = "new";
    post(s).summary = "new";
    post(s).requestBody.content["application/json"].example = { size: 2 };
  },
  "an operation is announced to go": (s) => (post(s).deprecated = true),
  "the version rises": (s) => (s.info.version = "2"),
};

function found(change) {
  const after = specification();
  change(after);
  return breaking(specification(), after);
}

for (const [name, change] of Object.entries(BREAKS)) {
  test(`breaks: ${name}`, () => assert.notDeepEqual(found(change), []));
}
for (const [name, change] of Object.entries(HOLDS)) {
  test(`holds: ${name}`, () => assert.deepEqual(found(change), []));
}
