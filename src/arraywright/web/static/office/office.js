// What every office page does.
document.documentElement.classList.add("scripted");
