/** For tests: what someone would try who got a word into the page. Says what was refused. */
async (port) => {
  const refused = [];
  document.addEventListener("securitypolicyviolation", (event) => refused.push(event.effectiveDirective));
  const attempt = async (act) => {
    try {
      await act();
    } catch {
      refused.push("threw");
    }
  };
  const put = (tag, key, value) => {
    const element = document.createElement(tag);
    element[key] = value;
    document.body.append(element);
  };
  await attempt(() => put("script", "textContent", "window.hit = 1"));
  await attempt(() => {
    document.body.innerHTML += "<p>x</p>";
  });
  setTimeout(() => attempt(() => eval("window.hit = 2"))); // later: a debugger's own call may
  await attempt(() => fetch(`http://127.0.0.1:${port}/fetched`));
  await attempt(() => new WebSocket(`ws://127.0.0.1:${port}/`));
  await attempt(() => put("img", "src", `http://127.0.0.1:${port}/x.png`));
  await attempt(() => put("iframe", "src", `http://127.0.0.1:${port}/`));
  await attempt(() => document.body.setAttribute("style", "color: red"));
  await new Promise((done) => setTimeout(done, 150));
  return { hit: window.hit, refused: [...new Set(refused)], colour: getComputedStyle(document.body).color };
};
