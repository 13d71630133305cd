import { openPage } from "/static/common.js";

openPage("pictures", async () => {});
