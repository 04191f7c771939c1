// Talking to the service: answers, or an Error whose message is the service's one line.

async function answer(response) {
  if (response.ok) return response;
  let words = `the page's service answered ${response.status}`;
  try {
    words = (await response.json()).error || words;
  } catch {
    /* no JSON: keep the number */
  }
  throw new Error(words);
}

export async function getJson(path) {
  return (await answer(await fetch(path))).json();
}

export async function getBytes(path) {
  return (await answer(await fetch(path))).arrayBuffer();
}

export async function post(path, body) {
  const response = await fetch(path, {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify(body),
  });
  return (await answer(response)).json();
}

// Runs one request at a time and only the latest of those that came meanwhile: for a sole that is being dragged.
export function latest(work) {
  let waiting = null,
    busy = false;
  return async function ask(...wanted) {
    waiting = wanted;
    if (busy) return;
    busy = true;
    while (waiting) {
      const now = waiting;
      waiting = null;
      try {
        await work(...now);
      } catch (error) {
        if (!waiting) {
          busy = false;
          throw error;
        }
      }
    }
    busy = false;
  };
}
