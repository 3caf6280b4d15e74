# pip install colorspacious==1.1.2 numpy
import json, math
from colorspacious import cspace_convert
lo,hi=(93,-6,42),(30,8,-42)
def lab(L,a,b):
    fy=(L+16)/116;fx=fy+a/500;fz=fy-b/200
    g=lambda t:t**3 if t>6/29 else 3*(6/29)**2*(t-4/29)
    X,Y,Z=.95047*g(fx),g(fy),1.08883*g(fz)
    return [3.2404542*X-1.5371385*Y-.4985314*Z,-.9692660*X+1.8760108*Y+.0415560*Z,.0556434*X-.2040259*Y+1.0572252*Z]
enc=lambda c:12.92*c if c<=.0031308 else 1.055*c**(1/2.4)-.055
cases=[];last=None
for i in range(11):
    t=i/10
    lin=lab(*[l+(h-l)*t for l,h in zip(lo,hi)])
    assert all(-1e-3<=x<=1 for x in lin),(t,lin)
    rgb=[math.floor(255*enc(min(1,max(0,x)))+.5) for x in lin]
    u=[x/255 for x in rgb]
    case={"share":t,"fill":"#%02x%02x%02x"%tuple(rgb)}
    j=cspace_convert(u,"sRGB1","CAM02-UCS")
    case["normal_lightness"]=round(float(j[0]),3)
    for eye,name in (("deuteranomaly","deuteranope"),("protanomaly","protanope"),("tritanomaly","tritanope")):
        v=cspace_convert(u,{"name":"sRGB1+CVD","cvd_type":eye,"severity":100},"sRGB1")
        v=[min(1,max(0,float(x))) for x in v]
        case[name+"_lightness"]=round(float(cspace_convert(v,"sRGB1","CAM02-UCS")[0]),3)
    if last is not None: case["distance_to_last"]=round(float(math.dist(j,last)),3)
    last=j; cases.append(case)
print(json.dumps({"source":"CAM02-UCS (Luo, Cui and Li 2006); colour vision deficiencies by Machado, Oliveira and Fernandes 2009, severity 100","provenance":"reference library colorspacious 1.1.2: cspace_convert of each colour to CAM02-UCS, and through sRGB1+CVD, clipped to 0..1","cases":cases},indent=1))
