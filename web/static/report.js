document.getElementById("sl-print").addEventListener("click", () => window.print());
