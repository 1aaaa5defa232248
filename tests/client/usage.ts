// How an ERP calls the service with a client generated from its specification. README shows parts.
import createClient from "openapi-fetch";
import type {
  BatchEntry,
  BatchItem,
  CutListOfTube,
  CutListRequest,
  DevelopedLengthRequest,
  paths,
} from "./service.js";

type Problems = "application/problem+json";
type Json = "application/json" | Problems;

export class Refused extends Error {}

export function erp(baseUrl: string) {
  const client = createClient<paths, Json>({ baseUrl });

  /** Cut length of one part, with the version of the formulas that made it. */
  async function cutLength(part: DevelopedLengthRequest) {
    const { data, error } = await client.POST("/v1/developed-length", { body: part });
    if (error) {
      throw new Refused(error.errors?.map((e) => `${e.pointer}: ${e.detail}`).join("; ") ?? error.detail);
    }
    return { length: data.result.cut_length, mass: data.result.mass ?? 0, version: data.version };
  }

  /** Patterns, waste and remnants, tube by tube. */
  async function cutList(list: CutListRequest): Promise<CutListOfTube[]> {
    const { data, error } = await client.POST("/v1/cut-list", { body: list });
    if (error) throw new Refused(error.detail);
    return data.result.tubes;
  }

  /** Parts as a CSV file in, patterns as a CSV file out. */
  async function cutListFile(csv: string, kerf: number, leastRemnant: number): Promise<string> {
    const { data, error } = await createClient<paths, "text/csv" | Problems>({ baseUrl }).POST("/v1/cut-list", {
      params: { query: { kerf, least_remnant: leastRemnant } },
      body: csv,
      bodySerializer: (text) => text,
      headers: { "Content-Type": "text/csv", Accept: "text/csv" },
      parseAs: "text",
    });
    if (error) throw new Refused(error.detail);
    return data;
  }

  /** Any number of parts, line by line; answers arrive while more are sent. */
  async function* cutLengths(parts: Iterable<BatchItem>): AsyncGenerator<BatchEntry> {
    const lines = Array.from(parts, (part) => JSON.stringify(part)).join("\n");
    const { data, error } = await createClient<paths, "application/x-ndjson" | Problems>({ baseUrl }).POST(
      "/v1/developed-length/batch",
      {
        params: { query: { units: "metric" } },
        body: lines,
        bodySerializer: (text) => text,
        headers: { "Content-Type": "application/x-ndjson" },
        parseAs: "stream",
      },
    );
    if (error) throw new Refused(error.detail);
    let rest = "";
    for await (const text of data!.pipeThrough(new TextDecoderStream())) {
      const whole = (rest + text).split("\n");
      rest = whole.pop() ?? "";
      for (const line of whole) yield JSON.parse(line) as BatchEntry;
    }
  }

  return { cutLength, cutList, cutListFile, cutLengths };
}
