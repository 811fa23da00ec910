import { createRequire } from 'node:module';
import { dirname, join } from 'node:path';
import PDFDocument from 'pdfkit';
import type { Item, Page, TextWidth } from '../../core/paper/page.ts';

const PT_PER_MM = 72 / 25.4;
// Source Sans 3 (SIL Open Font License 1.1): even figures, and the signs that the sheets need.
const FONTS = join(dirname(createRequire(import.meta.url).resolve('source-sans/package.json')), 'TTF');
const font = (bold: boolean) => join(FONTS, `SourceSans3-${bold ? 'Bold' : 'Regular'}.ttf`);

const meter = new PDFDocument({ autoFirstPage: false });

/** Widths in the font that writePdf embeds. */
export const textWidth: TextWidth = (text, sizeMm, bold = false) =>
  meter
    .font(font(bold))
    .fontSize(sizeMm * PT_PER_MM)
    .widthOfString(text) / PT_PER_MM;

/**
 * Sheets as a PDF in their true size. The same sheets, title and time give the same bytes.
 * @param timeUtc stands in the file as the time of its making
 */
export async function writePdf(pages: readonly Page[], title: string, timeUtc: string): Promise<Buffer> {
  const made = new Date(timeUtc);
  const document = new PDFDocument({
    autoFirstPage: false,
    displayTitle: true,
    lang: 'en',
    info: { Title: title, Creator: 'Nightring', Producer: 'Nightring', CreationDate: made, ModDate: made },
  });
  printTrueToScale(document);
  const chunks: Buffer[] = [];
  document.on('data', (chunk) => chunks.push(chunk));
  const ended = new Promise((resolve) => document.on('end', resolve));
  for (const page of pages) {
    document.addPage({ size: [page.widthMm * PT_PER_MM, page.heightMm * PT_PER_MM], margin: 0 });
    document.scale(PT_PER_MM);
    for (const item of page.items) draw(document, item);
  }
  document.end();
  await ended;
  return Buffer.concat(chunks);
}

/** Asks the print dialog for no fitting to the page (ISO 32000-1, table 150); pdfkit has no option for it. */
function printTrueToScale(document: PDFKit.PDFDocument): void {
  const { _root } = document as unknown as { _root: { data: { ViewerPreferences: { data: object } } } };
  Object.assign(_root.data.ViewerPreferences.data, { PrintScaling: 'None' });
}

const ink = (grey: number): string => {
  const level = Math.round(255 * grey)
    .toString(16)
    .padStart(2, '0');
  return `#${level.repeat(3)}`;
};

function draw(document: PDFKit.PDFDocument, item: Item): void {
  switch (item.kind) {
    case 'path': {
      const [[x, y], ...rest] = item.points;
      document.moveTo(x, y);
      for (const point of rest) document.lineTo(...point);
      if (item.closed) document.closePath();
      document.lineWidth(item.strokeMm);
      if (item.dashMm === null) document.undash();
      else document.dash(item.dashMm, { space: item.dashMm });
      if (item.fill !== null) document.fill(ink(item.fill));
      else document.stroke(ink(item.stroke));
      break;
    }
    case 'circle':
      document.circle(...item.centre, item.radiusMm).fill(ink(item.fill));
      break;
    case 'text': {
      const { text, sizeMm, bold, turnedDeg } = item;
      const leftMm = -{ left: 0, middle: 0.5, right: 1 }[item.anchor] * textWidth(text, sizeMm, bold);
      document.save().translate(...item.at);
      if (turnedDeg !== 0) document.rotate(turnedDeg);
      document.font(font(bold)).fontSize(sizeMm).fillColor(ink(item.grey));
      document.text(text, leftMm, 0, { lineBreak: false, baseline: 'alphabetic' });
      document.restore();
      break;
    }
  }
}
