/** What stands on the sheets of a PDF, in mm, as an independent reader (pdf.js) finds it. */
import { getDocument, OPS } from 'pdfjs-dist/legacy/build/pdf.mjs';

const MM_PER_PT = 25.4 / 72;

export interface Sheet {
  widthMm: number;
  heightMm: number;
  /** Texts with the left end of their baseline, from the sheet's top left corner. */
  texts: { text: string; xMm: number; yMm: number; widthMm: number }[];
  /** Stroked and filled outlines: their corners. */
  paths: [xMm: number, yMm: number][][];
}

export async function readPdf(bytes: Uint8Array): Promise<{ sheets: Sheet[]; printScaling: unknown; title: unknown }> {
  const loading = getDocument({ data: new Uint8Array(bytes), verbosity: 0, disableFontFace: true });
  const document = await loading.promise;
  const sheets: Sheet[] = [];
  for (let number = 1; number <= document.numPages; number++) {
    const page = await document.getPage(number);
    const [, , widthPt, heightPt] = page.view;
    const { items } = await page.getTextContent();
    const texts = items.flatMap((item) =>
      'str' in item && item.str.trim()
        ? [
            {
              text: item.str,
              xMm: item.transform[4] * MM_PER_PT,
              yMm: (heightPt - item.transform[5]) * MM_PER_PT,
              widthMm: item.width * MM_PER_PT,
            },
          ]
        : [],
    );
    const { fnArray, argsArray } = await page.getOperatorList();
    sheets.push({
      widthMm: widthPt * MM_PER_PT,
      heightMm: heightPt * MM_PER_PT,
      texts,
      paths: pathsOf(fnArray, argsArray, heightPt),
    });
  }
  const [preferences, { info }] = [await document.getViewerPreferences(), await document.getMetadata()];
  const printScaling = (preferences as Map<string, unknown> | null)?.get('PrintScaling');
  await loading.destroy();
  return { sheets, printScaling, title: (info as Record<string, unknown>).Title };
}

/** Follows the transformation matrix through the page's operators (ISO 32000-1, 8.3). */
function pathsOf(operators: number[], args: unknown[], heightPt: number): Sheet['paths'] {
  let matrix = [1, 0, 0, 1, 0, 0];
  const kept: number[][] = [];
  const paths: Sheet['paths'] = [];
  operators.forEach((operator, i) => {
    if (operator === OPS.save) kept.push(matrix);
    else if (operator === OPS.restore) matrix = kept.pop()!;
    else if (operator === OPS.transform) {
      const [a, b, c, d, e, f] = args[i] as number[];
      const [A, B, C, D, E, F] = matrix;
      matrix = [A * a + C * b, B * a + D * b, A * c + C * d, B * c + D * d, A * e + C * f + E, B * e + D * f + F];
    } else if (operator === OPS.constructPath) {
      const [, [data]] = args[i] as [number, [Float32Array | null]];
      const [A, B, C, D, E, F] = matrix;
      const at = (x: number, y: number): [number, number] => [
        (A * x + C * y + E) * MM_PER_PT,
        (heightPt - (B * x + D * y + F)) * MM_PER_PT,
      ];
      if (data) paths.push(corners(data).map(([x, y]) => at(x, y)));
    }
  });
  return paths;
}

/** pdf.js packs a path as numbers: 0 move, 1 line (two numbers each), 2 curve (six), 3 quadratic (four), 4 close. */
function corners(data: Float32Array): [number, number][] {
  const points: [number, number][] = [];
  for (let i = 0; i < data.length; ) {
    const count = [2, 2, 6, 4, 0][data[i]];
    if (count === undefined) throw new Error(`unknown path operator ${data[i]}`);
    if (count) points.push([data[i + count - 1], data[i + count]]);
    i += 1 + count;
  }
  return points;
}
