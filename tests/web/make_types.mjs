// Write the types of the room's messages: JSON Schema on standard input, TypeScript on standard output.
import { compile } from "json-schema-to-typescript";

/** The schema in the words that the compiler knows: a title would name a type of its own,
 * tuples have `items`, and how long a list may be is no matter of types. */
function plain(schema, isDefinition = false) {
  if (Array.isArray(schema)) return schema.map((each) => plain(each));
  if (schema === null || typeof schema !== "object") return schema;
  const { title, prefixItems, properties, $defs, minItems, maxItems, ...rest } = schema;
  const of = (table, inner) => Object.fromEntries(Object.entries(table).map(([key, value]) => [key, plain(value, inner)]));
  return {
    ...Object.fromEntries(Object.entries(rest).map(([key, value]) => [key, plain(value)])),
    ...(typeof title === "string" && isDefinition ? { title } : {}),
    ...(prefixItems ? { items: plain(prefixItems), additionalItems: false, minItems, maxItems } : {}),
    ...(properties ? { properties: of(properties, false) } : {}),
    ...($defs ? { $defs: of($defs, true) } : {}),
  };
}

process.stdin.setEncoding("utf8");
let text = "";
for await (const part of process.stdin) text += part;
const types = await compile(plain(JSON.parse(text)), "Room", {
  additionalProperties: false, bannerComment: "", format: false, maxItems: -1, unknownAny: false, unreachableDefinitions: true,
});
process.stdout.write(types);
