// The calls that the console makes of the API, with the session's cookie.

/** What the API answered when it did not do what was asked; its message is for people. */
export class ApiProblem extends Error {
  constructor(status, message) {
    super(message);
    this.status = status;
  }
}

export async function call(method, path, body) {
  let response;
  try {
    response = await fetch(path, {
      method,
      ...(body === undefined
        ? {}
        : { headers: { 'content-type': 'application/json' }, body: JSON.stringify(body) }),
    });
  } catch {
    throw new ApiProblem(0, 'there is no connection.');
  }
  const text = await response.text();
  const answer = text === '' ? undefined : JSON.parse(text);
  if (!response.ok)
    throw new ApiProblem(response.status, answer?.detail ?? `the answer was ${response.status}.`);
  return answer;
}
