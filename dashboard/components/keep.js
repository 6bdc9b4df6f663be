// Hands the word of one use to the server, which answers with a cookie that no script can read.

export default function (component) {
  const { word, path } = component.data;
  if (!word || window.boilwitnessKept === word) return;
  window.boilwitnessKept = word;
  fetch(path, { method: "POST", body: word, credentials: "same-origin" }).catch(() => {});
}
