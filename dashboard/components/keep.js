// Hands the word of one use to the server, which answers with a cookie that no script can read.

export default function (component) {
  const { word, path } = component.data;
  if (!word || window.boilwitnessKept === word) return;
  window.boilwitnessKept = word;
  // Where this fails the passcode is asked for again after a reload; nothing else is lost.
  fetch(path, { method: "POST", body: word, credentials: "same-origin" }).catch(() => {});
}
