// The page as a file: data and pictures lie in it, or pictures in a folder beside it.
import { Page } from "./main.js";

const data = JSON.parse(document.getElementById("data").textContent);
const inside = document.getElementById("pictures");
const held = inside ? JSON.parse(inside.textContent) : null;
new Page(data, (frame) => frame.pictures.map((name) => (held ? `data:image/jpeg;base64,${held[name]}` : `${data.folder}/${name}`)));
