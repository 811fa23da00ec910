import { Chart, LinearScale, LineController, LineElement, type Plugin, PointElement } from 'chart.js';
import { useEffect, useRef } from 'react';
import { type SessionState, useSession } from './session.ts';
import { strings } from './strings.ts';

Chart.register(LineController, LineElement, PointElement, LinearScale);

const SPAN_S = 60;
/** The scale follows these last seconds, so that the end of a turn is seen finely. */
const SCALE_TO_S = 15;
/** Redrawing a chart costs milliseconds; the eye needs no more than this from a minute's trend. */
const REDRAW_MS = 250;

interface TrendData {
  points: { x: number; y: number }[];
  /** Half width of the band in the chart's unit, null when not known. */
  band: number | null;
  unit: 'µm' | 'px';
}

/** The last minute: seconds before now against µm from focus (frame pixels while the optics are unknown). */
function trendOf({ track, instruction }: SessionState): TrendData {
  if (!track || !('aim' in instruction)) return { points: [], band: null, unit: 'px' };
  const { tolerancePx, toleranceUm } = instruction.aim;
  const perPx = toleranceUm === null ? 1 : toleranceUm / tolerancePx;
  const points = track.history
    .filter((point) => point.used)
    .map(({ timeMs, offsetPx }) => ({ x: (timeMs - track.timeMs) / 1000, y: offsetPx * perPx }));
  return { points, band: tolerancePx * perPx, unit: toleranceUm === null ? 'px' : 'µm' };
}

export function Trend() {
  const session = useSession();
  const ref = useRef<HTMLCanvasElement>(null);
  const unit = useRef<HTMLSpanElement>(null);

  useEffect(() => {
    let data: TrendData = { points: [], band: null, unit: 'px' };
    const band: Plugin<'line'> = {
      id: 'depth-of-focus',
      beforeDatasetsDraw({ ctx, chartArea: { left, right }, scales: { y } }) {
        if (data.band === null) return;
        const [top, bottom] = [y.getPixelForValue(data.band), y.getPixelForValue(-data.band)];
        ctx.fillStyle = '#4a0c07';
        ctx.fillRect(left, top, right - left, bottom - top);
      },
    };
    const rem = () => Number.parseFloat(getComputedStyle(document.documentElement).fontSize);
    const font = () => ({ size: 0.8 * rem() });
    const lineWidth = () => 0.15 * rem();
    const ticks = { color: '#f02a18', font, maxTicksLimit: 5 };
    const grid = { color: '#240503' };
    const chart = new Chart<'line', { x: number; y: number }[]>(ref.current!, {
      type: 'line',
      data: { datasets: [{ data: [], borderColor: '#ff4026', borderWidth: lineWidth, pointRadius: 0 }] },
      plugins: [band],
      options: {
        animation: false,
        parsing: false,
        normalized: true,
        responsive: true,
        maintainAspectRatio: false,
        events: [],
        scales: {
          x: {
            type: 'linear',
            min: -SPAN_S,
            max: 0,
            ticks: { ...ticks, callback: (x) => strings.trend.seconds(+x) },
            grid,
          },
          y: { type: 'linear', ticks: { ...ticks, callback: (y) => strings.trend.amount(+y) }, grid },
        },
      },
    });
    const timer = setInterval(() => {
      data = trendOf(session.state);
      const recent = data.points.filter(({ x }) => x > -SCALE_TO_S).map(({ y }) => Math.abs(y));
      const reach = Math.max(3 * (data.band ?? 0), ...recent) || 1;
      chart.data.datasets[0].data = data.points;
      chart.options.scales!.y!.suggestedMin = -reach;
      chart.options.scales!.y!.suggestedMax = reach;
      if (unit.current) unit.current.textContent = data.unit;
      chart.update('none');
    }, REDRAW_MS);
    return () => {
      clearInterval(timer);
      chart.destroy();
    };
  }, [session]);

  return (
    <section className="panel trend" aria-label={strings.trend.label}>
      <h2>
        {strings.trend.label} <span ref={unit} className="soft" />
      </h2>
      <div className="chart">
        <canvas ref={ref} role="img" aria-label={strings.trend.description} />
      </div>
    </section>
  );
}
