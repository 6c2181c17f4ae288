// Help: after a page of the manual has been drawn, go to the heading that its address names.
window.dash_clientside = Object.assign({}, window.dash_clientside, {
  help: {
    jump: function (_article, hash) {
      const wanted = decodeURIComponent((hash || window.location.hash).slice(1));
      window.requestAnimationFrame(function () {
        const heading = wanted && document.getElementById(wanted);
        if (heading) heading.scrollIntoView(); else window.scrollTo(0, 0);
      });
      return wanted;
    },
  },
});
