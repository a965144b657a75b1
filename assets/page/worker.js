// The library's end of the page: it runs beside the page, so that nothing that is drawn, sounded or recorded waits for it.
// Behind the bindings, in one script. What is asked: a number, a name, what is given; the answer: the number, what is said,
// or why nothing is.
let page;

onmessage = async ({ data: { id, name, given } }) => {
  try {
    let said;
    if (name === 'start') {
      const [base64, handed] = given;
      const packed = new Blob([Uint8Array.from(atob(base64), (c) => c.charCodeAt(0))]).stream();
      const module = await new Response(packed.pipeThrough(new DecompressionStream('gzip'))).arrayBuffer();
      await wasm_bindgen({ module_or_path: module });
      page = new wasm_bindgen.Page(handed);
    } else {
      said = page[name](...given);
    }
    postMessage({ id, said }, ArrayBuffer.isView(said) ? [said.buffer] : []);
  } catch (error) {
    postMessage({ id, why: error instanceof Error ? error.message : String(error), broken: error instanceof WebAssembly.RuntimeError });
  }
};
