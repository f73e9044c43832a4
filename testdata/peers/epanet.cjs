// Runs a network, read from standard input in the format of the EPANET 2.2
// manual, through the EPANET engine, and prints one line for each of its quality
// steps: the time in s and the quality at the node that is named.
const fs = require("fs");
const { Project, Workspace, NodeProperty } = require("epanet-js");

async function main() {
  const workspace = new Workspace();
  await workspace.loadModule();
  workspace.writeFile("network", fs.readFileSync(0, "utf8"));
  const project = new Project(workspace);
  project.open("network", "report", "results");
  project.solveH();
  project.openQ();
  project.initQ(0);
  const at = project.getNodeIndex(process.argv[2]);
  const lines = [];
  for (let left = 1; left > 0; left = project.stepQ()) {
    const time = project.runQ();
    lines.push(`${time} ${project.getNodeValue(at, NodeProperty.Quality)}`);
  }
  project.closeQ();
  project.close();
  console.log(lines.join("\n"));
}

main().catch((e) => {
  console.error(String(e));
  process.exit(1);
});
