// Hands the token over once; the bench keeps it in a cookie that no script can read.
import { $, text } from "./dom.js";
import { post } from "./live.js";

$("login").addEventListener("submit", (event) => {
  event.preventDefault();
  text($("error"), "");
  post("/api/login", { token: $("token").value.trim() }).then(() => { location.href = "/"; }).catch((error) => text($("error"), error.message));
});
