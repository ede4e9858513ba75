// Which screens there are, where each leads back to, and what it needs.

import { conflicts } from "./screen_conflicts.js";
import { blocks, enrol, help, home } from "./screen_home.js";
import { find } from "./screen_find.js";
import { place } from "./screen_place.js";
import { syncing } from "./screen_sync.js";
import { strings, test } from "./screen_test.js";
import { FORMS } from "./form_tasks.js";
import { form } from "./forms.js";

export const SCREENS = {
  home: { title: "home", draw: home },
  enrol: { title: "enrol", draw: enrol, always: true },
  help: { title: "help", draw: help, always: true },
  blocks: { title: "blocks", draw: blocks },
  sync: { title: "sync", draw: syncing },
  find: { title: "find", draw: find, pack: true },
  place: { title: "place", draw: place, pack: true },
  strings: { title: "test", draw: strings, pack: true },
  test: { title: "test", draw: test, pack: true, parent: "strings" },
  conflicts: { title: "conflicts", draw: conflicts, pack: true },
};
for (const name of Object.keys(FORMS)) {
  SCREENS[name] = {
    title: name,
    draw: (app, ...rest) => form(app, name, ...rest),
    pack: FORMS[name].pack,
  };
}
