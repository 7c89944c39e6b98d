// The one thing a printed page needs from a script.
document.querySelector("#print")?.addEventListener("click", () => print());
