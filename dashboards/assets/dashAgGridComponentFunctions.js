/* A case in the list is a link. */
window.dashAgGridComponentFunctions = Object.assign({}, window.dashAgGridComponentFunctions, {
  CaseLink: function (props) {
    return window.React.createElement('a', {href: props.data.href}, props.value);
  }
});
