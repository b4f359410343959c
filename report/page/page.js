'use strict';
(function () {
  var holder = document.getElementById('figure-data');
  var figures = holder ? JSON.parse(holder.textContent) : [];
  var night = window.matchMedia('(prefers-color-scheme: dark)');
  var mark = { de: ',', fr: ',' }[document.documentElement.lang] || '.';
  var carrier = '\u200b';
  var drawn = [];

  function number(v) {
    if (typeof v !== 'number') { return v; }
    return String(Number(v.toPrecision(6))).replace('.', mark);
  }

  // Bands around curves, called by name from the options.
  var shapes = {
    band: function (params, api) {
      var at = function (x, y) { return api.coord([api.value(x), api.value(y)]); };
      return { type: 'polygon', shape: { points: [at(0, 1), at(0, 2), at(3, 5), at(3, 4)] }, style: { fill: api.visual('color') } };
    }
  };

  function dress(options, dark) {
    var ink = dark ? '#ececec' : '#1a1a1a', soft = dark ? '#b4b8bc' : '#505050', line = dark ? '#3a4047' : '#dddddd';
    options.textStyle = { fontFamily: '"Liberation Sans", Arial, Helvetica, sans-serif', color: ink };
    [options.xAxis[0], options.yAxis[0]].forEach(function (axis) {
      axis.nameTextStyle = { color: ink, fontWeight: 'bold', align: axis === options.yAxis[0] ? 'left' : 'center' };
      axis.axisLabel = { color: soft, hideOverlap: true, showMinLabel: axis.type === 'category' ? true : null };
      if (axis.type !== 'category') {
        axis.axisLabel.formatter = number;
        axis.axisLabel.showMinLabel = axis.min === 0;
        axis.axisLabel.showMaxLabel = false;
      }
      axis.axisLine = { show: true, lineStyle: { color: soft } };
      axis.splitLine = { show: axis.type !== 'category', lineStyle: { color: line } };
    });
    var names = [];
    options.series.forEach(function (s) {
      if (s.name && s.name !== carrier && names.indexOf(s.name) < 0) { names.push(s.name); }
      if (s.type === 'custom') {
        s.encode = { x: [0, 3], y: [1, 2, 4, 5] };
        s.renderItem = shapes[s.renderItem];
        s.clip = true;
        s.silent = true;
        s.itemStyle = { color: s.color };
        s.tooltip = { show: false };
      } else {
        s.itemStyle = { color: s.color };
      }
      if (s.markArea) { s.silent = true; s.markArea.silent = true; s.markArea.label.color = soft; }
      if (s.markLine) { s.markLine.silent = true; s.markLine.animation = false; if (dark) { s.markLine.label.color = s.markLine.lineStyle.color = '#ff9a4d'; } }
      if (s.markPoint) { s.markPoint.itemStyle = { color: ink }; s.markPoint.label.color = ink; s.markPoint.label.distance = 2; s.markPoint.silent = true; }
    });
    options.legend.data = names;
    options.legend.textStyle = { color: ink };
    options.legend.pageTextStyle = { color: ink };
    options.legend.pageIconColor = ink;
    options.tooltip.valueFormatter = number;
    options.tooltip.confine = true;
    options.tooltip.backgroundColor = dark ? '#22272c' : '#ffffff';
    options.tooltip.textStyle = { color: ink };
    if (options.tooltip.trigger === 'item') {
      options.tooltip.formatter = function (p) {
        var v = p.value, div = document.createElement('div');
        var show = function (axis, x) { return axis.type === 'category' ? axis.data[x] : number(x); };
        div.textContent = p.seriesName + ': ' + show(options.xAxis[0], v[0]) + ' / ' + show(options.yAxis[0], v[1]);
        return div;
      };
    }
    options.dataZoom[0].zoomOnMouseWheel = 'ctrl';
    options.dataZoom[0].moveOnMouseWheel = false;
    options.dataZoom[1].bottom = 30;
    options.dataZoom[1].height = 18;
    options.dataZoom[1].labelFormatter = number;
    options.dataZoom[1].textStyle = { color: soft };
    options.dataZoom[1].showDataShadow = false;
    if (!names.length) { options.legend.show = false; }
    options.aria = { enabled: false };
    return options;
  }

  function draw(dark, paper) {
    drawn.forEach(function (c) { c.dispose(); });
    drawn = figures.map(function (f) {
      var chart = echarts.init(document.getElementById('chart-' + f.id), null, Object.assign({ renderer: 'svg' }, paper));
      chart.setOption(dress(JSON.parse(JSON.stringify(f.options)), dark));
      return chart;
    });
  }

  if (figures.length) {
    draw(night.matches);
    night.addEventListener('change', function () { draw(night.matches); });
    window.addEventListener('resize', function () { drawn.forEach(function (c) { c.resize(); }); });
    window.addEventListener('beforeprint', function () { draw(false, { width: 660, height: 330 }); });
    window.addEventListener('afterprint', function () { draw(night.matches); });
  }

  document.querySelectorAll('.filter').forEach(function (p) {
    var input = p.querySelector('input'), table = document.getElementById(input.dataset.for);
    p.hidden = false;
    input.addEventListener('input', function () {
      var want = input.value.toLowerCase();
      Array.prototype.forEach.call(table.tBodies, function (body) {
        var head = body.querySelector('.group');
        var all = head && head.textContent.toLowerCase().indexOf(want) >= 0;
        var any = all, last = false;
        Array.prototype.forEach.call(body.rows, function (row) {
          if (row.classList.contains('group')) { return; }
          if (row.classList.contains('note')) { row.hidden = !(last || all); return; }
          last = all || row.textContent.toLowerCase().indexOf(want) >= 0;
          row.hidden = !last;
          any = any || last;
        });
        if (head) { head.hidden = !any; }
      });
    });
  });
})();
