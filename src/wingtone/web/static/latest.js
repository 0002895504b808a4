// One request under way, and the latest wish next: what came between is not asked for any more.

export function latest(run) {
  let waiting = null;
  let going = null;

  async function go() {
    try {
      while (waiting) {
        const { value } = waiting;
        waiting = null;
        await run(value);
      }
    } finally {
      going = null;
    }
  }

  return {
    ask(value) {
      waiting = { value };
      going ??= go();
      return going;
    },
    idle: () => going ?? Promise.resolve(),
  };
}
