//! Style sheets. A page is a sheet of paper: one column, generous margins, words before numbers. On US Letter a sheet holds 18 mm
//! less than on A4: what fills one has to fit the other (`scripts/measuring/measure_sheets.py`).

/// What both pages share. Sizes in rem on the screen; on paper a rem is 10 points.
pub(super) const SHARED: &str = "\
:root{--paper:#fdfcf9;--ink:#1e1e1c;--grey:#66645f;--line:#d9d6cc;--quiet:#f4f2ea}
*{box-sizing:border-box}
html{background:var(--paper);color:var(--ink);font-size:100%;-webkit-text-size-adjust:100%}
body{margin:0 auto;max-width:48rem;padding:2.2rem 1.4rem 3rem;font-family:'Noto Serif','Source Serif 4',Georgia,serif;\
font-size:.95rem;line-height:1.5;font-variant-numeric:tabular-nums lining-nums;overflow-wrap:anywhere}
h1{font-size:1.75rem;line-height:1.2;margin:0;font-weight:700}
h2{font-size:1rem;margin:1.6rem 0 .5rem;font-weight:700}
p{margin:.35rem 0}
.sub{color:var(--grey);font-size:.88rem;margin:.2rem 0}
.grey{color:var(--grey)}
svg{display:block;max-width:100%;height:auto}
.phone{display:none}
@media screen and (max-width:44rem){body{padding:1.3rem 10px 2rem}.sheet{display:none}.phone{display:block}.phone svg{width:100%}}
@page{margin:10mm 12mm 9mm}
@media print{html{font-size:10pt;background:none}body{max-width:none;padding:0}
*{-webkit-print-color-adjust:exact;print-color-adjust:exact}svg,li,tr,figure>div{break-inside:avoid}h2{break-after:avoid}}
";

/// The teacher's.
pub(super) const TEACHER: &str = "\
.gist{font-size:1.05rem;margin:.8rem 0 0}
ol.findings{list-style:none;margin:0;padding:0}
ol.findings li{display:grid;grid-template-columns:1.6rem 1fr;padding:.4rem 0;border-top:1px solid var(--line)}
ol.findings li:last-child{border-bottom:1px solid var(--line)}
.n{font-weight:700}
.where{color:var(--grey);font-size:.88rem}
summary{cursor:pointer;color:var(--grey);font-size:.88rem}
details p,details li{font-size:.88rem}
li details,li summary{display:inline}
li summary::before{content:'· '}
li details p{margin:.2rem 0 .3rem}
.twin{margin-top:1.6rem}
.twin table{margin-top:.6rem}
figure{margin:1.5rem 0 0}
@media screen{body:has(.long){display:flex;flex-direction:column}body:has(.long) footer{order:1}}
@media print{figure.long{break-before:page;margin:0}}
.words{display:grid;grid-template-columns:1fr 1fr;column-gap:2.2rem}
.words h2{margin-top:1.3rem}
ul.plain{margin:0;padding-left:1.1rem}
ul.plain li{margin:.2rem 0}
table{border-collapse:collapse;width:100%;font-size:.84rem;line-height:1.4}
th,td{text-align:left;vertical-align:top;padding:.22rem .8rem .22rem 0;border-top:1px solid var(--line);font-weight:400}
thead th{color:var(--grey);border-top:0}
tbody th{white-space:nowrap}
footer{margin-top:1.6rem;border-top:1px solid var(--line);padding-top:.5rem;color:var(--grey);font-size:.8rem;line-height:1.45}
@media screen and (max-width:44rem){.words{grid-template-columns:1fr}tbody th{white-space:normal}}
@media print{body{font-size:8.8pt;line-height:1.36}h1{font-size:17pt}h2{margin:8pt 0 3pt;font-size:10pt}.gist{font-size:9.6pt;margin-top:4pt}\
.sub,.where{font-size:8.3pt}ol.findings li{padding:2.2pt 0}figure:not(.long){margin:7pt 0 0}footer{margin-top:7pt;padding-top:3pt;font-size:7pt;line-height:1.3}\
footer p{display:inline}.words h2{margin-top:7pt}details:not([open]){display:none}}
";

/// The pupil's: large letters, short lines, much white.
pub(super) const PUPIL: &str = "\
body{max-width:43rem;font-size:1.15rem;line-height:1.6}
h1{font-size:2.2rem}
h1.small{font-size:1.4rem}
section{border-top:1px solid var(--line);padding:1.15rem 0 .5rem;margin-top:1.1rem}
h2{color:var(--grey);font-weight:400;font-size:1.05rem;margin:0 0 .2rem}
.say{font-size:1.55rem;line-height:1.45;max-width:32rem;margin:0 0 .3rem}
.do{font-size:1.2rem;max-width:32rem}
ol.steps{list-style:none;margin:.9rem 0 0;padding:0;max-width:34rem}
ol.steps li{display:grid;grid-template-columns:2rem 1fr;font-size:1.2rem;margin:.35rem 0}
.n{font-weight:700}
figure{margin:1rem 0 .6rem}
figcaption{color:var(--grey);font-size:1rem;margin-bottom:.3rem}
.key{display:flex;flex-wrap:wrap;gap:.2rem 1.6rem;margin:.5rem 0 0;font-size:1rem}
.key span{display:inline-flex;align-items:center;gap:.5rem}
.note{display:none}
footer{margin-top:1.5rem;border-top:1px solid var(--line);padding-top:.8rem;font-size:1rem;line-height:1.55}
.tiny{color:var(--grey);font-size:.85rem}
.beat{display:inline-block;width:.8em;height:.8em;border-radius:50%;background:currentColor;margin:0 .4em;animation:beat 1s steps(1) infinite}
@keyframes beat{0%{opacity:1}30%{opacity:.12}}
@media screen{.print{display:none}}
@media (prefers-reduced-motion:reduce){.screen,.beat{display:none}.print{display:inline}}
@media screen and (max-width:44rem){.say{font-size:1.4rem}}
@media print{.screen,.beat{display:none}body{font-size:11.5pt;line-height:1.42}h1{font-size:22pt}h1.small{font-size:15pt}section{padding:7pt 0 2pt;margin-top:6pt}figure{margin:5pt 0 3pt}figure>div{max-width:30rem}ol.steps{margin:4pt 0 0}ol.steps li{margin:2pt 0}\
.note{display:block}.note div{border-bottom:1px solid var(--line);height:19pt}footer{margin-top:8pt;padding-top:5pt;font-size:9.5pt;line-height:1.4}.tiny{font-size:8pt}}
";
